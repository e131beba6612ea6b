// Where the rows of a sitting lie until they are saved: the browser's own store, a few rows a key, so that a page that is
// reloaded, a kernel that ends and a lid that is closed cost nothing.

const STORE = "jogtune-knob";
const ROWS_A_KEY = 64;
const ALIVE_MS = 90_000;  // a page that lies behind others says no oftener than once a minute that its sitting is on show

const numbersOf = (text) => JSON.parse(`[${text}]`).map((value) => value ?? NaN);
const textOf = (rows) => Array.from(rows, (value) => (Number.isNaN(value) ? "null" : String(value))).join(",");

/** What makes two sittings the same: all of the setup but who asks for it. */
export function printOf({ id, turn, ...rest }) {
  return JSON.stringify(rest);
}

/** The sitting that is kept, and those left before. Without a store (a private window may forbid it) nothing is kept: `works`. */
export class Keep {
  constructor() {
    this.works = true;
    try {
      this.store = window.localStorage;
      this.put("try", "1");
      this.store.removeItem(`${STORE}:try`);
    } catch {
      this.works = false;
    }
  }

  put(key, text) {
    this.store.setItem(`${STORE}:${key}`, text);
  }

  get(key) {
    return this.store.getItem(`${STORE}:${key}`);
  }

  /** Sittings that no page shows and nobody saved, the newest last: {began, setup, state, rows}. Each is read once. */
  left() {
    if (!this.works) return [];
    const begun = Object.keys(this.store).map((key) => key.match(/^jogtune-knob:([\d.]+):state$/)?.[1]).filter(Boolean);
    this.found = new Map(begun.map((one) => [one, this.found?.get(one) ?? this.read(one)]));
    return [...this.found.values()].filter(Boolean).sort((a, b) => a.began - b.began);
  }

  read(began) {
    try {
      if (Date.now() - Number(this.get(`${began}:alive`) ?? 0) < ALIVE_MS) return null;
      const [setup, state, rows] = [JSON.parse(this.get(`${began}:setup`)), JSON.parse(this.get(`${began}:state`)), []];
      for (let i = 0; this.get(`${began}:${i}`) !== null; i += 1) rows.push(...numbersOf(this.get(`${began}:${i}`)));
      const whole = rows.slice(0, rows.length - (rows.length % COLUMNS));
      if (whole.length / COLUMNS > (state.saved ?? 0)) return { began: Number(began), setup, state, rows: whole };
      this.drop(began);
    } catch {
      // not ours, or cut short: left alone
    }
    return null;
  }

  /** Begin to keep the sitting that began then. */
  open(began, setup) {
    Object.assign(this, { began, setup, part: [], parts: 0, begun: false });
  }

  /** Keep further rows, and how the session stands. */
  add(rows, state) {
    if (!this.works) return;
    try {
      if (!this.begun) this.put(`${this.began}:setup`, JSON.stringify(this.setup));
      this.begun = true;
      for (const value of rows) {
        this.part.push(value);
        if (this.part.length === ROWS_A_KEY * COLUMNS) {
          this.put(`${this.began}:${this.parts}`, textOf(this.part));
          Object.assign(this, { parts: this.parts + 1, part: [] });
        }
      }
      if (this.part.length) this.put(`${this.began}:${this.parts}`, textOf(this.part));
      this.put(`${this.began}:state`, JSON.stringify(state));
    } catch {
      this.works = false;  // full
    }
  }

  /** Say that the sitting is on show, or no longer. */
  alive(is) {
    if (this.works && this.begun) this.put(`${this.began}:alive`, String(is ? Date.now() : 0));
  }

  /** Forget a sitting: its rows are elsewhere, or let go. */
  drop(began) {
    for (const key of Object.keys(this.store)) if (key.startsWith(`${STORE}:${began}:`)) this.store.removeItem(key);
  }

  /** A figure that a person sets once: read, or write. */
  once(key, value) {
    if (!this.works) return null;
    if (value !== undefined) this.put(key, JSON.stringify(value));
    return JSON.parse(this.get(key));
  }
}
