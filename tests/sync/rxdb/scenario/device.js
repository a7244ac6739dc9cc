// A device of the scenario: an RxDB database in memory, and the handset behind it.

import { createRxDatabase } from 'rxdb'
import { getRxStorageMemory } from 'rxdb/plugins/storage-memory'
import { Handset } from '../adapter/handset.js'
import { replicateOnce } from '../adapter/replicate.js'
import { Service } from '../adapter/service.js'

const COLLECTIONS = { units: 'unit', service_events: 'service_event' }

/** How often it takes at most until RxDB has been given what its own pushes changed. */
const ROUNDS = 5

const text = { type: 'string' }
const number = { type: 'number' }
const schema = (properties) => ({
  version: 0,
  primaryKey: 'id',
  type: 'object',
  properties: { id: { type: 'string', maxLength: 36 }, ...properties },
})

const UNIT = schema({
  label: text,
  home_site_id: text,
  maker: text,
  model: text,
  serial: text,
  fuel: text,
  rated_kw: number,
  tank_litres: number,
  sync: { type: 'object' },
})

const SERVICE_EVENT = schema({
  kind: text,
  unit_id: text,
  occurred_at: text,
  meter_hours: number,
  author: text,
  recorded_at: text,
  warnings: { type: 'array' },
})

export class Device {
  /** Enrols a device in the hands of a person; `skew` says by how many minutes its clock is off. */
  static async enrol({ url, clock, coordinator, person, name, skew }) {
    const { code } = await new Service(url, coordinator).post('/v1/handsets/codes', {})
    const began = performance.now()
    const now = () => Date.parse(clock) + skew * 60_000 + (performance.now() - began)
    const handset = await Handset.enrol(new Service(url, person), code, name, now)
    const database = await createRxDatabase({ name, storage: getRxStorageMemory(), multiInstance: false })
    await database.addCollections({ units: { schema: UNIT }, service_events: { schema: SERVICE_EVENT } })
    return new Device(handset, database, now)
  }

  constructor(handset, database, now) {
    this.handset = handset
    this.database = database
    this.now = now
  }

  get units() {
    return this.database.units
  }

  get events() {
    return this.database.service_events
  }

  /** Syncs both collections until there is nothing more to send or to take over. */
  async sync() {
    for (let round = 0; round < ROUNDS; round++) {
      const found = await Promise.all(
        Object.entries(COLLECTIONS).map(async ([name, kind]) => {
          const place = await replicateOnce(this.database[name], kind, this.handset)
          return this.handset.isAt(kind, place)
        }),
      )
      if (found.every(Boolean)) return
    }
    throw new Error(`after ${ROUNDS} rounds there is still something to take over`)
  }

  /** A unit as the device has it; nothing where it has none. */
  async unit(id) {
    const found = await this.units.findOne(id).exec()
    return found?.toMutableJSON()
  }

  /** Changes some members of a unit. */
  async change(id, members) {
    const found = await this.units.findOne(id).exec(true)
    await found.incrementalPatch(members)
  }

  close() {
    return this.database.close()
  }
}
