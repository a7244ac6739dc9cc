// The documents of one collection as the service last told them, in the order in which they changed last.

export class Replica {
  #last = 0
  // From id to { at, document }; a map keeps the order in which its entries were put.
  #entries = new Map()

  get(id) {
    return this.#entries.get(id)?.document
  }

  put(document) {
    this.#entries.delete(document.id)
    this.#entries.set(document.id, { at: ++this.#last, document })
  }

  /** Those for which this holds. */
  where(holds) {
    return [...this.#entries.values()].map(({ document }) => document).filter(holds)
  }

  /** The first documents that changed after a place in the order, and the place behind them. */
  after(place, limit) {
    const entries = [...this.#entries.values()].filter(({ at }) => at > place).slice(0, limit)
    return { documents: entries.map(({ document }) => document), place: entries.at(-1)?.at ?? place }
  }

  /** Whether nothing changed after a place in the order. */
  endsAt(place) {
    return this.#last <= place
  }
}
