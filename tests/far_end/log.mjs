// The last requests, for tests to assert on: GET /log. Bodies are kept as the bytes that came,
// because a parsed number has lost its digits (98.60 becomes 98.6).

const HEADERS = ['content-type', 'accept', 'if-none-exist', 'if-match', 'prefer', 'content-encoding', 'user-agent', 'x-request-id'];
const BODY_LIMIT = 64 * 1024;

export class Log {
  #entries = [];
  #size;
  #count = 0;

  constructor(size) {
    this.#size = size;
  }

  begin(request, path) {
    const headers = Object.fromEntries(HEADERS.filter((name) => request.headers[name]).map((name) => [name, request.headers[name]]));
    if (request.headers.authorization) headers.authorization = request.headers.authorization.split(' ')[0]; // the scheme, never the token
    const entry = { number: (this.#count += 1), at: new Date().toISOString(), method: request.method, path, headers, status: null };
    this.#entries.push(entry);
    if (this.#entries.length > this.#size) this.#entries.shift();
    return entry;
  }

  body(entry, bytes) {
    entry.bytes = bytes.length;
    if (bytes.length > 0 && bytes.length <= BODY_LIMIT) Object.defineProperty(entry, 'body', { value: bytes.toString('utf8'), enumerable: false });
  }

  /** The last `last` requests, oldest first; with their bodies when asked. */
  read({ last = this.#size, bodies = false } = {}) {
    return {
      count: this.#count,
      requests: this.#entries.slice(-last).map((entry) => (bodies ? { ...entry, body: entry.body } : entry)),
    };
  }

  clear() {
    this.#entries = [];
  }
}
