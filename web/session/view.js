// What a panel is given: one store and one cursor. Live, the cursor is the newest of everything.

import { standing } from "./alarms.js";
import { silenceOf } from "./hearing.js";
import { lacking } from "./needs.js";
import { lastAtOrBefore } from "./table.js";

const STATION = "station"; // whoever asks when the station itself does
const STALE_S = 2;
const STALE_PERIODS = 3;

/** @typedef {{value:any, t:number, rx:number, age:number, stale:boolean, column:object, row:number}} Sample */

export class View {
  /**
   * @param {import("./store.js").Store} store
   * @param {{rx:number, t:number, live:boolean}} cursor
   * @param {object} page what is not telemetry: about, desk, beat, replay, silentSince
   */
  constructor(store, cursor, page) {
    this.store = store;
    this.cursor = cursor;
    this.page = page;
    this.rxLimit = cursor.live ? Infinity : cursor.rx;
  }

  #rows = new Map();
  #silence;

  /** Who is not heard at the cursor, and for how long; null while vehicle and station both are. */
  get silence() {
    if (this.#silence === undefined) this.#silence = silenceOf(this.store, this.cursor, this.page);
    return this.#silence;
  }

  has(role) {
    return this.store.roles.has(role);
  }

  /** What a role of the station's would need of this vehicle and has not, in words; "" when nothing. */
  lacks(role) {
    return lacking(this.store.roles, role);
  }

  /** True when values of a role can come in this session. */
  tells(role) {
    return this.has(role) && !this.lacks(role);
  }

  /** Row of a table at the cursor, -1 before its first. */
  row(tableName) {
    let row = this.#rows.get(tableName);
    if (row === undefined) {
      row = this.store.tables.get(tableName).rowAt(this.rxLimit);
      this.#rows.set(tableName, row);
    }
    return row;
  }

  /** Latest sample of a role at the cursor; undefined when the dictionary has no such role. */
  sample(role) {
    const binding = this.store.roles.get(role);
    return binding && this.sampleOf(binding);
  }

  /** Latest sample of a binding {table, index, column, meta}. */
  sampleOf({ table: name, index, column, meta }) {
    const table = this.store.tables.get(name);
    const row = this.row(name);
    if (row < 0) return { value: undefined, t: NaN, rx: NaN, age: Infinity, stale: true, column, row };
    const age = this.cursor.rx - table.rx[row];
    const limit = Math.max(STALE_S, meta.rate_hz > 0 ? STALE_PERIODS / meta.rate_hz : STALE_S);
    const stale = this.silence !== null || ((meta.rate_hz > 0 || Boolean(meta.computed)) && age > limit);
    return { value: table.value(index, row), t: table.t[row], rx: table.rx[row], age, stale, column, row };
  }

  value(role) {
    return this.sample(role)?.value;
  }

  /** Text of an enum role, or undefined. */
  word(role) {
    const sample = this.sample(role);
    return sample?.column.values?.[sample.value];
  }

  /** Newest row in which every given role of one table is finite: its values, t and age; undefined when never. */
  lastFinite(...roles) {
    const bindings = roles.map((role) => this.store.roles.get(role));
    if (bindings.some((binding) => !binding || binding.table !== bindings[0].table)) return undefined;
    const table = this.store.tables.get(bindings[0].table);
    for (let row = this.row(bindings[0].table); row >= 0; row--) {
      const values = bindings.map((binding) => table.value(binding.index, row));
      if (values.every(Number.isFinite)) return { values, t: table.t[row], age: this.cursor.rx - table.rx[row] };
    }
    return undefined;
  }

  /** Greatest finite value of a role from lift-off to landing, or to another moment; undefined when none. */
  greatestInFlight(role, until = "landing") {
    const liftOff = this.moment("lift_off");
    return liftOff && this.greatest(role, liftOff.t, this.moment(until)?.t);
  }

  /**
   * Greatest finite value of a role between two timeline seconds, both included, never past the cursor; undefined when
   * none.
   */
  greatest(role, from, to = Infinity) {
    const binding = this.store.roles.get(role);
    if (!binding) return undefined;
    const table = this.store.tables.get(binding.table);
    const last = Math.min(this.row(binding.table), lastAtOrBefore(table.t, table.n, to));
    let first = lastAtOrBefore(table.t, table.n, from);
    while (first >= 0 && table.t[first] >= from) first--;
    let greatest;
    for (let row = first + 1; row <= last; row++) {
      const value = table.columns[binding.index][row];
      if (Number.isFinite(value) && !(value <= greatest)) greatest = value;
    }
    return greatest;
  }

  /** Seconds that something has lasted that began at timeline second `since_t` and was noted as `entry`. */
  lasting({ rx, t }, since_t) {
    return this.cursor.rx - rx + (t - since_t);
  }

  /** Since when (row time) a role has had its present value; undefined when that began before the kept rows. */
  since(role) {
    const binding = this.store.roles.get(role);
    if (!binding) return undefined;
    const table = this.store.tables.get(binding.table);
    const column = table.columns[binding.index];
    let row = this.row(binding.table);
    if (row < 0) return undefined;
    const value = column[row];
    while (row > 0 && column[row - 1] === value) row--;
    return table.rx[row];
  }

  /** Journal entry that is the state of (topic, key) at the cursor. */
  state(topic, key) {
    return this.store.journal.state(topic, key, this.rxLimit);
  }

  states(topic) {
    return this.store.journal.states(topic, this.rxLimit);
  }

  /** What the whole session ends with, wherever the cursor stands. */
  finalStates(topic) {
    return this.store.journal.states(topic);
  }

  events(count) {
    return this.store.journal.texts(this.rxLimit, count);
  }

  /** A moment of the flight: {t, ...body}, or undefined while it has not come. */
  moment(key) {
    const entry = this.state("moment", key);
    return entry && { t: entry.t, ...entry.body };
  }

  /** Value a role had at a timeline second, not after the cursor; undefined when unknown. */
  valueAt(role, t) {
    const binding = this.store.roles.get(role);
    if (!binding) return undefined;
    const table = this.store.tables.get(binding.table);
    return table.value(binding.index, Math.min(this.row(binding.table), lastAtOrBefore(table.t, table.n, t)));
  }

  /** Timeline seconds that charts and clocks count from: lift-off, or 0 while nothing has lifted off. */
  get zero() {
    return this.moment("lift_off")?.t ?? 0;
  }

  /** True between lift-off and landing, as far as the station has seen them: it tells so with every phase. */
  get inFlight() {
    return this.state("phase", "ground")?.body?.flying === true;
  }

  /** Alarms standing at the cursor, the worst first, each with who has acknowledged it. */
  alarms() {
    return standing(this.states("alarm"), (key) => this.state("acknowledged", key));
  }

  /** Command views, newest first. */
  commands() {
    return this.states("command")
      .map((entry) => ({ ...entry.body, entry }))
      .reverse();
  }

  /** Without the pings by which the station itself measures the round trip: what people asked for. */
  asked() {
    return this.commands().filter(({ operator }) => operator !== STATION);
  }
}
