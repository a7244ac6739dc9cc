// RxDB's own replication, once through, with a handset behind it.

import { replicateRxCollection } from 'rxdb/plugins/replication'

const BATCH = 500

/** Pushes and pulls a collection until both have come to their end; fails at the first error of either. */
export async function replicateOnce(collection, kind, handset) {
  const places = []
  const replication = replicateRxCollection({
    replicationIdentifier: `keepstart-${kind}`,
    collection,
    retryTime: 100,
    push: { batchSize: BATCH, handler: (rows) => handset.push(kind, rows) },
    pull: {
      batchSize: BATCH,
      handler: async (checkpoint, limit) => {
        const { documents, place } = await handset.pull(kind, checkpoint?.place ?? 0, limit)
        places.push(place)
        return { documents, checkpoint: { place } }
      },
    },
  })
  // RxDB tries again for ever; here the next call does.
  const failed = new Promise((_, reject) => replication.error$.subscribe(reject))
  try {
    await Promise.race([replication.awaitInitialReplication(), failed])
  } finally {
    await replication.cancel()
  }
  return places.at(-1)
}
