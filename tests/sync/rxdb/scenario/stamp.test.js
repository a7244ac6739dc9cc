// The text of stamps, against base64.b32hexencode of Python.

import assert from 'node:assert/strict'
import { test } from 'node:test'
import { Clock, read, write } from '../adapter/stamp.js'

const TEXTS = [
  [0n, 0, '00000000000000000000'],
  [0n, 7, '0000000000000000003G'],
  [1n, 0, '00000000000020000000'],
  [0xffffn, 1, '0000000003VVU000000G'],
  [1n << 20n, 0, '00000000200000000000'],
  [1781524800000n << 16n, 3, '06FCM9P200000000001G'],
  [(1n << 64n) - 1n, 2 ** 32 - 1, 'VVVVVVVVVVVVVVVVVVVG'],
]

test('a stamp has the text of its 12 bytes', () => {
  for (const [clock, handset, text] of TEXTS) {
    assert.equal(write({ clock, handset }), text)
    assert.deepEqual(read(text), { clock, handset })
  }
})

test('stamps rise when the clock stands still, goes back, or was heard to be ahead', () => {
  const wall = [1000, 1000, 10, 10]
  const clock = new Clock(3, () => wall.shift())
  const stamps = [clock.tick(), clock.tick(), clock.tick()]
  const ahead = write({ clock: 5000n << 16n, handset: 4 })
  clock.hear(ahead)
  stamps.push(ahead, clock.tick())
  assert.deepEqual(stamps, stamps.toSorted())
  assert.equal(new Set(stamps).size, stamps.length)
})
