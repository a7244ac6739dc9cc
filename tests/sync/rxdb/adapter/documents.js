// Documents, as RxDB keeps them, of the records that the service tells.
//
// A document has the members of the record. Beside them `sync` keeps what an edit has to name as its base: the record's
// version, the stamp of each field, and the values that contest one. A retired record is a deleted document.

const RETIRED = 'retired'

/** The document of a record with fields. */
export function ofRecord(id, { version, fields, stamp, stamps = {}, contested = {} }) {
  const { [RETIRED]: retired, ...members } = fields
  const each = Object.fromEntries(Object.keys(fields).map((field) => [field, stamp]))
  return { id, ...members, sync: { version, stamps: { ...each, ...stamps }, contested }, _deleted: retired === true }
}

/** The document of a fact, such as a service event. */
export function ofFact(id, fact) {
  return { ...fact, id, _deleted: false }
}

/** The members of a document that are the record's. */
export function members({ id, sync, _deleted, ...members }) {
  return members
}

/** The fields that somebody contests and that a document shows to its user. */
export function contested(document) {
  return Object.keys(document?.sync?.contested ?? {})
}

/** The values of a field that whoever reads the document has seen, by stamp and edit. */
export function seen(document, field) {
  const { stamps = {}, contested = {} } = document?.sync ?? {}
  const all = [stamps[field], ...(contested[field] ?? [])].filter(Boolean)
  return [...new Map(all.map(({ raw, edit }) => [raw + edit, { raw, edit }])).values()]
}

/** The fields that have a value in a document, or had one. */
export function fields(document) {
  return Object.keys(document.sync?.stamps ?? {})
}

/** A document with one of the handset's own edits done to it, as the service did it to the record. */
export function edited(document, { id, stamp, record_id, body }, version) {
  const { sync, _deleted, ...before } = document ?? { id: record_id, sync: {}, _deleted: false }
  const after = { ...before, ...body }
  const removed = Object.keys(body).filter((field) => body[field] === null)
  const contested = { ...sync.contested }
  const stamps = { ...sync.stamps }
  for (const field of Object.keys(body)) {
    stamps[field] = { raw: stamp, edit: id }
    delete contested[field]
  }
  for (const field of [RETIRED, ...removed]) delete after[field]
  const retired = RETIRED in body ? body[RETIRED] === true : _deleted
  return { ...after, sync: { version, stamps, contested }, _deleted: retired }
}
