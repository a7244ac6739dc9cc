// Stamps: hybrid logical clocks with the number of the handset that made them, as `libs/model/src/stamp.rs` has them.

const COUNTER_BITS = 16n
const HANDSET_BITS = 32n
// 96 bits in 20 characters of 5 bits: the last four bits are empty.
const EMPTY_BITS = 4n

/** The text of a stamp: base32hex in capitals, whose order is that of the numbers. */
export function write({ clock, handset }) {
  const bits = ((clock << HANDSET_BITS) | BigInt(handset)) << EMPTY_BITS
  return bits.toString(32).toUpperCase().padStart(20, '0')
}

/** The stamp in a text. */
export function read(text) {
  if (!/^[0-9A-V]{19}[0G]$/.test(text)) throw new Error(`no stamp: ${text}`)
  const bits = [...text].reduce((bits, digit) => (bits << 5n) | BigInt(parseInt(digit, 32)), 0n) >> EMPTY_BITS
  return { clock: bits >> HANDSET_BITS, handset: Number(bits & 0xffffffffn) }
}

/** Gives a handset stamps that only rise, whatever its wall clock does. */
export class Clock {
  #last = 0n

  /** `now` tells the wall clock's milliseconds since 1970. */
  constructor(handset, now) {
    this.handset = handset
    this.now = now
  }

  /** The next stamp, as text. */
  tick() {
    const wall = BigInt(Math.floor(this.now())) << COUNTER_BITS
    this.#last = wall > this.#last ? wall : this.#last + 1n
    return write({ clock: this.#last, handset: this.handset })
  }

  /** Later stamps are above one that was heard of. */
  hear(text) {
    const { clock } = read(text)
    if (clock > this.#last) this.#last = clock
  }
}
