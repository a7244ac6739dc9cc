// Two devices with RxDB, unmodified, in the hands of two people, and the running service between them.
//
// tests/rxdb/main.rs says where the service is and who the people are.

import assert from 'node:assert/strict'
import { after, before, test } from 'node:test'
import { Service } from '../adapter/service.js'
import { Device } from './device.js'

/** So many units come with so many readings each. */
const [UNITS, READINGS] = [50, 99]
const MANY = UNITS * (1 + READINGS)

const { KEEPSTART_URL: url, KEEPSTART_CLOCK: clock, KEEPSTART_SITE: site } = process.env
const [coordinator, other] = [process.env.KEEPSTART_FIRST_TOKEN, process.env.KEEPSTART_SECOND_TOKEN]
const service = new Service(url, coordinator)

let first, second
before(async () => {
  // One clock is an hour slow, one three minutes fast.
  first = await Device.enrol({ url, clock, coordinator, person: coordinator, name: 'first', skew: -60 })
  second = await Device.enrol({ url, clock, coordinator, person: other, name: 'second', skew: 3 })
})
after(async () => {
  await Promise.all([first?.close(), second?.close()])
})

const unit = (members) => ({ id: crypto.randomUUID(), home_site_id: site, fuel: 'petrol', ...members })

/** A unit that both devices have. */
async function shared(members) {
  const made = unit(members)
  await first.units.insert(made)
  await first.sync()
  await second.sync()
  assert.equal((await second.unit(made.id)).label, made.label)
  return made.id
}

/** The fields of a unit that the service lists as contested, with their values. */
async function contestedOf(id) {
  const found = []
  for (let cursor; cursor !== null; ) {
    const page = await service.get(`/v1/contested${cursor ? `?cursor=${cursor}` : ''}`)
    found.push(...page.items.filter((item) => item.id === id))
    cursor = page.next ?? null
  }
  return found
}

async function bothHave(id, members) {
  for (const device of [first, second]) {
    const { sync, ...found } = await device.unit(id)
    const told = Object.fromEntries(Object.keys(members).map((name) => [name, found[name]]))
    assert.deepEqual(told, members, device.database.name)
  }
}

test('fields that two devices change offline are merged', async () => {
  const id = await shared({ label: 'FS3-1' })
  await first.change(id, { label: 'FS3-1 portable' })
  await second.change(id, { serial: 'A-1077', rated_kw: 5.5 })
  await first.sync()
  await second.sync()
  await first.sync()

  await bothHave(id, { label: 'FS3-1 portable', serial: 'A-1077', rated_kw: 5.5 })
  assert.deepEqual(await contestedOf(id), [])
})

test('a field that both change is contested, and settled by either', async () => {
  const id = await shared({ label: 'FS3-2' })
  await first.change(id, { label: 'Pump house' })
  await second.change(id, { label: 'Well house' })
  await first.sync()
  await second.sync()
  await first.sync()

  const { label } = await first.unit(id)
  assert.ok(['Pump house', 'Well house'].includes(label), label)
  await bothHave(id, { label })
  const [listed, ...others] = await contestedOf(id)
  assert.deepEqual(others, [])
  assert.equal(listed.field, 'label')
  assert.deepEqual(listed.values.map(({ value }) => value).sort(), ['Pump house', 'Well house'])
  assert.deepEqual(listed.values.filter(({ wins }) => wins).map(({ value }) => value), [label])
  for (const device of [first, second]) {
    assert.deepEqual(Object.keys((await device.unit(id)).sync.contested), ['label'], device.database.name)
  }

  await first.change(id, { label: 'Pump and well house' })
  await first.sync()
  await second.sync()
  await bothHave(id, { label: 'Pump and well house' })
  assert.deepEqual(await contestedOf(id), [])
  for (const device of [first, second]) {
    assert.deepEqual((await device.unit(id)).sync.contested, {}, device.database.name)
  }
})

test('whoever finds the winning value right settles it by saying so', async () => {
  const id = await shared({ label: 'FS3-3' })
  await first.change(id, { maker: 'Alder' })
  await second.change(id, { maker: 'Fernhollow' })
  await first.sync()
  await second.sync()
  assert.equal((await contestedOf(id)).length, 1)

  const { maker, sync } = await second.unit(id)
  await second.change(id, { sync: { ...sync, contested: {} } })
  await second.sync()
  await first.sync()
  await bothHave(id, { maker })
  assert.deepEqual(await contestedOf(id), [])
})

test('several edits of one device between two syncs do not contest each other', async () => {
  const id = await shared({ label: 'FS3-4' })
  await first.change(id, { label: 'One' })
  await first.sync()
  await first.change(id, { label: 'Two' })
  await first.change(id, { label: 'Three', tank_litres: 24 })
  await first.sync()
  await second.sync()
  await bothHave(id, { label: 'Three', tank_litres: 24 })
  assert.deepEqual(await contestedOf(id), [])
})

test('a unit retired on one device disappears on the other', async () => {
  const id = await shared({ label: 'FS3-5' })
  await (await first.units.findOne(id).exec(true)).remove()
  await first.sync()
  await second.sync()
  assert.equal(await second.unit(id), undefined)
  assert.deepEqual(await contestedOf(id), [])
})

test('an edit of a unit that was retired meanwhile is contested, not lost', async () => {
  const id = await shared({ label: 'FS3-6' })
  await (await first.units.findOne(id).exec(true)).remove()
  await first.sync()
  await second.change(id, { serial: 'B-2044' })
  await second.sync()
  await first.sync()
  for (const device of [first, second]) assert.equal(await device.unit(id), undefined, device.database.name)
  const [listed, ...others] = await contestedOf(id)
  assert.deepEqual(others, [])
  assert.equal(listed.field, 'serial')
  assert.ok(listed.values.some(({ value }) => value === 'B-2044'), JSON.stringify(listed))
})

test('a refused edit does not hold up the others', async () => {
  const [id, fine] = [await shared({ label: 'FS3-7', rated_kw: 5 }), await shared({ label: 'FS3-8' })]
  const impossible = unit({ label: 'FS3-9', fuel: 'moonshine' })
  const refused = first.handset.refused.length
  await first.change(id, { rated_kw: -5 })
  await first.units.insert(impossible)
  await first.change(fine, { label: 'FS3-8 portable' })
  await first.sync()
  await second.sync()

  await bothHave(id, { rated_kw: 5 })
  await bothHave(fine, { label: 'FS3-8 portable' })
  assert.equal(await first.unit(impossible.id), undefined)
  const told = first.handset.refused.slice(refused).map(({ problem }) => problem.errors[0].pointer.split('/').at(-1))
  assert.deepEqual(told.sort(), ['fuel', 'rated_kw'])
  assert.deepEqual(first.handset.outbox.waiting(), [])

  await first.change(id, { rated_kw: 5.5 })
  await first.sync()
  await second.sync()
  await bothHave(id, { rated_kw: 5.5 })
})

test('an answer that gets lost is asked for again', async () => {
  const id = await shared({ label: 'FS3-10' })
  await first.change(id, { label: 'FS3-10 portable' })
  const whole = globalThis.fetch
  globalThis.fetch = async (...request) => {
    await whole(...request)
    throw new TypeError('the signal is gone')
  }
  await assert.rejects(first.sync()).finally(() => (globalThis.fetch = whole))
  await first.sync()
  await second.sync()
  await bothHave(id, { label: 'FS3-10 portable' })
  assert.deepEqual(await contestedOf(id), [])
})

test('what happened to a unit arrives, and stays as it was recorded', async () => {
  const id = await shared({ label: 'FS3-11' })
  const made = unit({ label: 'FS3-12' })
  const reading = (unit_id, meter_hours) => ({
    id: crypto.randomUUID(),
    kind: 'reading',
    unit_id,
    occurred_at: new Date(second.now()).toISOString(),
    meter_hours,
  })
  const [known, ofNew] = [reading(id, 101.5), reading(made.id, 0.4)]
  // The one of a unit that the service has not heard of waits for it.
  await second.events.bulkInsert([known, ofNew])
  await second.units.insert(made)
  await second.sync()
  await second.sync()
  await first.sync()
  for (const { id, unit_id, meter_hours } of [known, ofNew]) {
    const found = (await first.events.findOne(id).exec(true)).toJSON()
    assert.deepEqual([found.unit_id, found.meter_hours], [unit_id, meter_hours])
  }
  assert.deepEqual(second.handset.outbox.waiting(), [])

  await (await first.events.findOne(known.id).exec(true)).incrementalPatch({ meter_hours: 999 })
  await first.sync()
  assert.equal((await first.events.findOne(known.id).exec(true)).meter_hours, 101.5)
})

test(`${MANY} records go up and come down`, async () => {
  const units = Array.from({ length: UNITS }, (_, n) => unit({ label: `Yard ${n + 1}` }))
  const hoursAgo = (hours) => new Date(second.now() - hours * 3_600_000).toISOString()
  const readings = units.flatMap(({ id }) =>
    Array.from({ length: READINGS }, (_, n) => ({
      id: crypto.randomUUID(),
      kind: 'reading',
      unit_id: id,
      occurred_at: hoursAgo(READINGS - n),
      meter_hours: n / 10,
    })),
  )
  await first.units.bulkInsert(units)
  await first.events.bulkInsert(readings)
  const began = performance.now()
  await first.sync()
  const pushed = performance.now()
  await second.sync()
  const pulled = performance.now()
  console.log(`${MANY} up in ${Math.round(pushed - began)} ms, down in ${Math.round(pulled - pushed)} ms`)

  const ids = units.map(({ id }) => id)
  const found = await second.events.find({ selector: { unit_id: { $in: ids } } }).exec()
  const told = ({ id, unit_id, occurred_at, meter_hours }) => [id, unit_id, occurred_at, meter_hours].join()
  assert.deepEqual(found.map(told).sort(), readings.map(told).sort())
  for (const { id, label } of units) assert.equal((await second.unit(id))?.label, label)
  await first.sync()
  assert.deepEqual(first.handset.outbox.waiting(), [])
})

test('a device that comes new has what the others have', async () => {
  const third = await Device.enrol({ url, clock, coordinator, person: other, name: 'third', skew: 0 })
  try {
    await third.sync()
    for (const collection of ['units', 'service_events']) {
      const ids = async (device) => (await device.database[collection].find().exec()).map(({ id }) => id).sort()
      assert.deepEqual(await ids(third), await ids(second), collection)
    }
  } finally {
    await third.close()
  }
})
