// The edit that a row of RxDB comes to next.

import assert from 'node:assert/strict'
import { test } from 'node:test'
import * as wishes from '../adapter/wishes.js'

const value = (edit) => ({ raw: `stamp of ${edit}`, edit })

/** A unit as the service told it: its label was set by the edit `a`, its fuel by `b`. */
const TOLD = {
  id: 'u',
  label: 'FS3-1',
  fuel: 'petrol',
  sync: { version: 4, stamps: { label: value('a'), fuel: value('b') }, contested: {} },
  _deleted: false,
}
const CONTESTED = { ...TOLD, sync: { ...TOLD.sync, contested: { label: [{ ...value('c'), value: 'FS3-2' }] } } }
const RETIRED = { ...TOLD, sync: { ...TOLD.sync, stamps: { ...TOLD.sync.stamps, retired: value('r') } }, _deleted: true }
const MADE = { id: 'u', label: 'FS3-1', fuel: 'petrol', _deleted: false }
const READING = { id: 'e', kind: 'reading', meter_hours: 1, _deleted: false }

const sent = (edit, value, version) => new Map([['label', { value, raw: `stamp of ${edit}`, edit, version }]])
const set = (body, base) => ({ action: 'set', body, base })
const label = (base) => set({ label: 'Pump' }, { label: base.map(value) })
const row = (told, members) => ({ assumedMasterState: told, newDocumentState: { ...told, ...members } })

const OF_RECORDS = {
  'a new document is made': [row(undefined, MADE), { action: 'create', body: { label: 'FS3-1', fuel: 'petrol' }, base: {} }],
  'one that was made and removed was never there': [row(undefined, { ...MADE, _deleted: true }), undefined],
  'nothing changed': [row(TOLD, {}), undefined],
  'a field names what was seen of it': [row(TOLD, { label: 'Pump' }), label(['a'])],
  'all of it where it is contested': [row(CONTESTED, { label: 'Pump' }), label(['a', 'c'])],
  'and what the handset set meanwhile': [row(TOLD, { label: 'Pump' }), label(['a', 'o']), sent('o', 'Well')],
  'which may be on its way to it': [row(TOLD, { label: 'Pump' }), label(['a', 'o']), sent('o', 'Well', 5)],
  'but not what is in it already': [row(TOLD, { label: 'Pump' }), label(['a']), sent('o', 'Well', 4)],
  'what was sent is not sent twice': [row(TOLD, { label: 'Pump' }), undefined, sent('o', 'Pump', 5)],
  'unless it was set by others since': [row(TOLD, { label: 'Pump' }), label(['a']), sent('o', 'Pump', 3)],
  'a new field has no base': [row(TOLD, { serial: 'A-1' }), set({ serial: 'A-1' }, {})],
  'a field is removed': [row(TOLD, { fuel: undefined }), set({ fuel: null }, { fuel: [value('b')] })],
  'whoever takes a field off the list says that it is right': [
    row(CONTESTED, { sync: TOLD.sync }),
    set({ label: 'FS3-1' }, { label: [value('a'), value('c')] }),
  ],
  'to retire names all that was seen': [
    row(CONTESTED, { _deleted: true }),
    set({ retired: true }, { label: [value('a'), value('c')], fuel: [value('b')] }),
  ],
  'what was changed before it goes first': [row(TOLD, { label: 'Pump', _deleted: true }), label(['a'])],
  'and is among what was seen': [
    row(TOLD, { label: 'Pump', _deleted: true }),
    set({ retired: true }, { label: [value('a'), value('o')], fuel: [value('b')] }),
    sent('o', 'Pump'),
  ],
  'what is retired is used again': [
    row(RETIRED, { _deleted: false }),
    set({ retired: null }, { retired: [value('r')] }),
  ],
}

const OF_FACTS = {
  'a new one is made': [row(undefined, READING), { action: 'create', body: { kind: 'reading', meter_hours: 1 }, base: {} }],
  'a change is not wanted': [row(READING, { meter_hours: 2 }), undefined],
  'nor that it goes': [row(READING, { _deleted: true }), undefined],
}

for (const [what, cases, of] of [['records', OF_RECORDS, wishes.ofRecord], ['facts', OF_FACTS, wishes.ofFact]]) {
  test(`the edits of ${what}`, () => {
    for (const [name, [row, expected, own = new Map()]] of Object.entries(cases)) {
      assert.deepEqual(of(row, own), expected, name)
    }
  })
}
