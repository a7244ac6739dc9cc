// A handset as the service knows one: it sends edits in order, reads the feed, and keeps what both say.

import { deepEqual } from 'rxdb'
import * as documents from './documents.js'
import { Outbox } from './outbox.js'
import { Replica } from './replica.js'
import { Clock } from './stamp.js'
import * as wishes from './wishes.js'

const OF_KIND = {
  unit: { wish: wishes.ofRecord, document: documents.ofRecord, edited: documents.edited },
  service_event: {
    wish: wishes.ofFact,
    document: documents.ofFact,
    edited: (_, { id, body }) => documents.ofFact(id, body),
  },
}

export class Handset {
  /** What was refused, for the person who made it. */
  refused = []
  outbox
  #service
  #id
  #clock
  #limits
  #cursor = null
  #replicas = Object.fromEntries(Object.keys(OF_KIND).map((kind) => [kind, new Replica()]))
  #turn = Promise.resolve()

  /** Enrols a handset for the person of `service` with a code that a coordinator asked for. */
  static async enrol(service, code, name, now) {
    const { id, number } = await service.post('/v1/handsets', { code, name })
    const limits = await service.get('/v1/limits')
    return new Handset(service, id, new Clock(number, now), limits)
  }

  constructor(service, id, clock, limits) {
    this.#service = service
    this.#id = id
    this.#clock = clock
    this.#limits = limits
    this.outbox = new Outbox(clock)
  }

  /** RxDB's push: gives the documents that are not what RxDB takes them for. */
  async push(kind, rows) {
    for (const row of rows) {
      const { id } = row.newDocumentState
      const next = () => OF_KIND[kind].wish(row, this.outbox.own(id))
      for (let wish = next(); wish; wish = next()) this.outbox.add(kind, id, wish)
    }
    if (this.outbox.waiting().length > 0) await this.exchange()
    return rows.flatMap(({ newDocumentState }) => this.#unlike(kind, newDocumentState))
  }

  /** RxDB's pull. A page that is not full is the last one, so the feed is read to its end before one is given. */
  async pull(kind, place, limit) {
    const replica = this.#replicas[kind]
    if (replica.after(place, limit).documents.length < limit) await this.exchange()
    return replica.after(place, limit)
  }

  /** Whether RxDB, having come to this place, has been given all that the handset was told. */
  isAt(kind, place) {
    return this.#replicas[kind].endsAt(place)
  }

  /** Sends what waits and reads the feed to its end, one after the other. */
  exchange() {
    const done = this.#turn.then(() => this.#exchange())
    this.#turn = done.catch(() => {})
    return done
  }

  async #exchange() {
    const sent = this.outbox.waiting()
    const batches = [...cut(sent, this.#limits)]
    let more = true
    while (more || batches.length > 0) {
      const answer = await this.#service.post('/v1/sync', {
        handset: this.#id,
        clock: new Date(this.#clock.now()).toISOString(),
        boot: 1,
        cursor: this.#cursor,
        waiting: this.outbox.waiting().length,
        edits: batches.shift() ?? [],
      })
      if (answer.pull.status !== 'ok') throw new Error(`the handset has to begin anew: ${answer.pull.reason}`)
      this.#read(answer)
      more = answer.more
    }
    this.outbox.areIn(
      sent.map(({ id }) => id),
      (record) => this.#replicas.unit.get(record)?.sync.version,
    )
  }

  #read({ clock, results, changes, cursor }) {
    this.#clock.hear(clock)
    for (const result of results) {
      this.outbox.answered(result)
      if (result.result === 'refused') this.refused.push(result)
    }
    for (const change of changes) this.#apply(change)
    this.#cursor = cursor
  }

  #apply({ change, kind, id, record, edits }) {
    const replica = this.#replicas[kind]
    // Sites and schedules have no collection here.
    if (!replica) return
    if (change === 'record') replica.put(OF_KIND[kind].document(id, record))
    if (change === 'echo') for (const edit of edits) this.#echo(kind, id, edit)
    if (change === 'forget') this.#forget(kind, id)
  }

  /** Does to a document what the service did with an edit of this handset. */
  #echo(kind, id, { id: of, version }) {
    const edit = this.outbox.get(of)
    if (!edit) throw new Error(`somebody else counts as this handset: ${of} is not its edit`)
    const replica = this.#replicas[kind]
    const before = replica.get(id)
    // A version further on comes whole.
    if (kind !== 'unit' || version === (before?.sync.version ?? 0) + 1) {
      replica.put(OF_KIND[kind].edited(before, edit, version))
    }
  }

  #forget(kind, id) {
    const gone = (document) => ({ ...document, _deleted: true })
    const { [kind]: own, service_event: events } = this.#replicas
    const found = own.get(id)
    if (found) own.put(gone(found))
    for (const event of events.where(({ unit_id }) => unit_id === id)) events.put(gone(event))
  }

  #unlike(kind, document) {
    const known = this.#replicas[kind].get(document.id)
    if (known) return deepEqual(known, document) ? [] : [known]
    // What was refused from the start is not to stay; what is parked or held is.
    const isGone = this.outbox.own(document.id).size === 0
    return isGone && !document._deleted ? [{ ...document, _deleted: true }] : []
  }
}

/** Edits in portions that keep to the limits of a request. */
function* cut(edits, { edits: most, request_bytes: bytes }) {
  let portion = []
  let length = 0
  for (const edit of edits) {
    const size = new TextEncoder().encode(JSON.stringify(edit)).length + 1
    // The rest of the request takes far less than a tenth.
    if (portion.length === most || (portion.length > 0 && length + size > bytes * 0.9)) {
      yield portion
      portion = []
      length = 0
    }
    portion.push(edit)
    length += size
  }
  if (portion.length > 0) yield portion
}
