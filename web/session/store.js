// Everything the page knows about one session, live or reviewed: tables, roles, journal. No DOM, no socket, no clock.

import { Journal } from "./journal.js";
import { bindRoles } from "./roles.js";
import { lastAtOrBefore, Table } from "./table.js";

/** Most rows kept of each table while a session is live; a reviewed session is whole. */
export const LIVE_ROWS = 30000;

export class Store {
  /** @param {object} dictionary  @param {{session?:string, cap?:number}} options */
  constructor(dictionary, { session = dictionary.name, cap = Infinity } = {}) {
    this.dictionary = dictionary;
    this.session = session;
    this.roles = bindRoles(dictionary);
    this.tables = new Map(dictionary.tables.map((meta) => [meta.name, new Table(meta, cap)]));
    this.journal = new Journal();
    this.tRange = [0, 0];
    this.rxRange = [0, 0];
    this.version = 0;
  }

  /** Take a whole session from parsed columns (columns.js). */
  load({ header, tables }) {
    for (const [name, columns] of tables) this.tables.get(name)?.load(columns);
    this.journal.add(header.journal ?? []);
    this.tRange = header.t_range ?? [0, 0];
    this.rxRange = header.rx_range ?? [0, 0];
    this.version++;
  }

  /** Take one "update" message. */
  update({ from = {}, rows = {}, journal = [], rx_now, t_now }) {
    for (const [name, list] of Object.entries(rows)) this.tables.get(name)?.append(from[name] ?? 0, list);
    this.journal.add(journal);
    if (t_now > this.tRange[1]) this.tRange = [this.tRange[0], t_now];
    if (rx_now > this.rxRange[1]) this.rxRange = [this.rxRange[0], rx_now];
    this.version++;
  }

  /** True when a hello's counters are exactly what this store holds, so nothing has to be fetched again. */
  matches({ session, cursor = {}, journal_next }) {
    if (session !== this.session || journal_next !== this.journal.next) return false;
    return [...this.tables].every(([name, table]) => (cursor[name] ?? 0) === table.next);
  }

  /** Station time of the newest row of any packet that had arrived at rx, or undefined before the first. */
  lastHeard(rx = Infinity) {
    let newest;
    for (const table of this.tables.values()) {
      if (table.meta.computed) continue;
      const row = table.rowAt(rx);
      if (row >= 0 && !(table.rx[row] < newest)) newest = table.rx[row];
    }
    return newest;
  }

  /** Station time of the next packet after rx (direction 1) or the last one before it (-1); undefined at the ends. */
  neighbor(rx, direction) {
    let best;
    for (const table of this.tables.values()) {
      if (table.meta.computed || table.n === 0) continue;
      const at = lastAtOrBefore(table.rx, table.n, rx);
      const candidate = direction > 0 ? table.rx[at + 1] : before(table, at, rx);
      if (candidate === undefined || (at + 1 >= table.n && direction > 0)) continue;
      if (best === undefined || (direction > 0 ? candidate < best : candidate > best)) best = candidate;
    }
    return best;
  }

  /** The packets that arrived at station time rx, in order of their own time: {table, row, t, rx}. */
  packetsAt(rx) {
    const found = [];
    for (const [name, table] of this.tables) {
      if (table.meta.computed) continue;
      for (let row = table.rowAt(rx); row >= 0 && table.rx[row] === rx; row--)
        found.push({ table: name, row, t: table.t[row], rx });
    }
    return found.sort((a, b) => a.t - b.t || a.row - b.row);
  }

  /**
   * The packet whose own time is nearest to timeline second t; among equals one that holds what is no number, since
   * that
   * is what a finding of that moment is about. Undefined in a session without packets.
   */
  packetNear(t) {
    let best;
    for (const [name, table] of this.tables) {
      if (table.meta.computed || table.n === 0) continue;
      const at = lastAtOrBefore(table.t, table.n, t);
      for (let row = Math.max(0, at - 2); row <= Math.min(table.n - 1, at + 2); row++) {
        const off = Math.round(Math.abs(table.t[row] - t) * 1e4) - (holdsNoNumber(table, row) ? 0.5 : 0);
        if (best === undefined || off < best.off) best = { off, table: name, row, t: table.t[row], rx: table.rx[row] };
      }
    }
    return best;
  }
}

function holdsNoNumber(table, row) {
  return table.columns.some((column) => typeof column[row] === "number" && !Number.isFinite(column[row]));
}

function before(table, at, rx) {
  let row = at;
  while (row >= 0 && table.rx[row] >= rx) row--;
  return row >= 0 ? table.rx[row] : undefined;
}
