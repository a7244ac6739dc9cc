// The edits of one handset: what waits for an answer, and what was answered.

const WAITING = ['queued', 'parked']
const TAKEN = ['applied', 'already_applied', 'contested']

export class Outbox {
  #count = 0
  #previous = undefined
  #edits = new Map()
  #places = new Map()
  // From record to field to what the handset itself set last.
  #own = new Map()
  #clock

  constructor(clock) {
    this.#clock = clock
  }

  /** Writes an edit down, to be sent. */
  add(kind, id, { action, body, base }) {
    const edit = {
      // What makes a record has the record's id.
      id: action === 'create' ? id : crypto.randomUUID(),
      format: 1,
      number: ++this.#count,
      // Absent in the first one.
      previous: this.#previous,
      stamp: this.#clock.tick(),
      boot: 1,
      kind,
      action,
      ...(kind === 'service_event' ? {} : { record_id: id }),
      body,
      ...(action === 'set' ? { base } : {}),
    }
    this.#previous = edit.id
    this.#edits.set(edit.id, edit)
    this.#places.set(edit.id, 'queued')
    const own = this.own(id)
    for (const field of Object.keys(body)) own.set(field, { value: body[field], raw: edit.stamp, edit: edit.id })
    this.#own.set(id, own)
  }

  /** The edit with an id; none that this handset has not made. */
  get(id) {
    return this.#edits.get(id)
  }

  /** What the handset itself set last of a record, by field. */
  own(id) {
    return this.#own.get(id) ?? new Map()
  }

  /** The edits without a final answer, in order of their numbers: new ones, and those that wait for a parent. */
  waiting() {
    return [...this.#edits.values()].filter(({ id }) => WAITING.includes(this.#places.get(id)))
  }

  /** Takes down what became of an edit. */
  answered({ id, result }) {
    if (!this.#edits.has(id)) throw new Error(`an answer about an edit that was not sent: ${id}`)
    this.#places.set(id, result)
    if (result !== 'refused') return
    const own = this.own(this.#record(id))
    for (const [field, sent] of own) if (sent.edit === id) own.delete(field)
  }

  /** Tells of what is recorded of these edits that it is in the records from their present versions on. */
  areIn(ids, versionOf) {
    for (const id of ids.filter((id) => TAKEN.includes(this.#places.get(id)))) {
      const record = this.#record(id)
      for (const sent of this.own(record).values()) if (sent.edit === id) sent.version = versionOf(record)
    }
  }

  #record(id) {
    return this.#edits.get(id).record_id ?? id
  }
}
