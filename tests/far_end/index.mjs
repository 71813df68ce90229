// Finding records by a key without looking at all of them. Almost every key leads to one record,
// so a Set is made only when a second one comes.

export class Index {
  #map = new Map();

  add(key, record) {
    const there = this.#map.get(key);
    if (there === undefined) this.#map.set(key, record);
    else if (there instanceof Set) there.add(record);
    else if (there !== record) this.#map.set(key, new Set([there, record]));
  }

  remove(key, record) {
    const there = this.#map.get(key);
    if (there instanceof Set && there.size > 1) there.delete(record);
    else if (there === record || there?.has?.(record)) this.#map.delete(key);
  }

  get(key) {
    const there = this.#map.get(key);
    if (there === undefined) return [];
    return there instanceof Set ? [...there] : [there];
  }

  keys() {
    return this.#map.keys();
  }
}
