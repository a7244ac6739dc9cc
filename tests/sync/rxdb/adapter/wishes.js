// What a row that RxDB pushes wants. It has the document as it is now, and as the service last told it.

import { deepEqual } from 'rxdb'
import { contested, fields, members, seen } from './documents.js'

/**
 * The next edit that a row comes to, as action, body and base; none when there is no more. `own` has, by field, what the
 * handset itself set last, and from which version of the record on that is in it; before that it was seen all the same,
 * and is not wanted again.
 */
export function ofRecord({ newDocumentState: now, assumedMasterState: told }, own) {
  // Of a document that only RxDB knows (its making was refused) nothing was told.
  const before = told?.sync ? told : undefined
  if (!before && own.size === 0) return now._deleted ? undefined : create(now)

  const isNew = ([field, value]) => {
    const sent = own.get(field)
    return !(sent && !isIn(sent, before) && deepEqual(sent.value, value))
  }
  const set = Object.fromEntries(changed(before, now).filter(isNew))
  if (Object.keys(set).length > 0) return { action: 'set', body: set, base: base(Object.keys(set), before, own) }
  if (now._deleted && !before?._deleted && isNew(['retired', true])) {
    const all = new Set([...(before ? fields(before) : []), ...own.keys()])
    return { action: 'set', body: { retired: true }, base: base(all, before, own) }
  }
}

/** A fact is made once, and nothing done to it later is wanted. */
export function ofFact({ newDocumentState: now, assumedMasterState: told }, own) {
  return told || own.size > 0 || now._deleted ? undefined : create(now)
}

function create(document) {
  return { action: 'create', body: members(document), base: {} }
}

function changed(before, now) {
  const was = before ? members(before) : {}
  const is = members(now)
  const differ = Object.keys({ ...was, ...is }).filter((field) => !deepEqual(was[field], is[field]))
  // A user for whom the value is right as it is takes the field off the list.
  const settled = contested(before).filter((field) => !contested(now).includes(field) && field !== 'retired')
  const found = [...new Set([...differ, ...settled])].map((field) => [field, is[field] ?? null])
  return before?._deleted && !now._deleted ? [...found, ['retired', null]] : found
}

function base(names, before, own) {
  const found = [...names].map((field) => {
    const sent = own.get(field)
    const mine = sent && !isIn(sent, before) ? [{ raw: sent.raw, edit: sent.edit }] : []
    return [field, [...seen(before, field), ...mine]]
  })
  return Object.fromEntries(found.filter(([, versions]) => versions.length > 0))
}

function isIn(sent, document) {
  return sent.version !== undefined && sent.version <= (document?.sync.version ?? 0)
}
