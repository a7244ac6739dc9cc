// The service over HTTP: JSON in and out, problems as errors.

/** An answer that is no success, with the problem that it tells. */
export class Problem extends Error {
  constructor(method, path, status, problem) {
    super(`${method} ${path}: ${status} ${problem.type ?? ''} ${problem.detail ?? problem.title ?? ''}`)
    this.status = status
    this.problem = problem
  }
}

export class Service {
  #url
  #token

  constructor(url, token) {
    this.#url = url
    this.#token = token
  }

  get(path) {
    return this.#ask('GET', path)
  }

  post(path, body) {
    return this.#ask('POST', path, body)
  }

  async #ask(method, path, body) {
    const headers = { Authorization: `Bearer ${this.#token}` }
    if (body !== undefined) headers['Content-Type'] = 'application/json'
    for (;;) {
      const answer = await fetch(this.#url + path, { method, headers, body: JSON.stringify(body) })
      const told = await answer.json()
      if (answer.ok) return told
      const wait = Number(answer.headers.get('Retry-After'))
      if (!isLoad(answer.status) || !wait) throw new Problem(method, path, answer.status, told)
      // Nothing was taken: the same again, when the service says.
      await new Promise((resolve) => setTimeout(resolve, wait * 1000))
    }
  }
}

function isLoad(status) {
  return status === 429 || status === 503
}
