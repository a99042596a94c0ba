// The channels a person keeps, in this browser.

const KEY = "blockhouse.favorites";
const MOST = 200;

export class Favorites {
  #storage;
  #kept;

  constructor(storage = localStorage) {
    this.#storage = storage;
    this.#kept = new Set(read(storage));
  }

  get count() {
    return this.#kept.size;
  }

  has(channel) {
    return this.#kept.has(channel);
  }

  toggle(channel) {
    if (!this.#kept.delete(channel)) this.#kept.add(channel);
    try {
      this.#storage.setItem(KEY, JSON.stringify([...this.#kept].slice(-MOST)));
    } catch {
      // A browser that keeps nothing has them until the page is closed.
    }
  }
}

function read(storage) {
  try {
    const list = JSON.parse(storage.getItem(KEY) ?? "[]");
    return Array.isArray(list) ? list.filter((one) => typeof one === "string") : [];
  } catch {
    return [];
  }
}
