// One table of rows as columns: bounded and growing when live, the station's own arrays when reviewed.

import { parseNumber } from "./messages.js";

const FIRST_CAPACITY = 256;

/** Index of the last element <= x in the first n of an ascending array, or -1. */
export function lastAtOrBefore(array, n, x) {
  let low = 0;
  let high = n;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (array[middle] <= x) low = middle + 1;
    else high = middle;
  }
  return low - 1;
}

/**
 * Rows in arrival order. `next` is the absolute index the station will give to the next row; `n` is how many rows
 * are kept, which is fewer once the table has been thinned; the first `coarse` of them are what thinning left.
 */
export class Table {
  /** @param {object} meta table entry of the dictionary  @param {number} cap most rows kept, Infinity for a review */
  constructor(meta, cap = Infinity) {
    this.meta = meta;
    this.cap = cap;
    this.n = 0;
    this.next = 0;
    this.coarse = 0;
    this.t = new Float64Array(0);
    this.rx = new Float64Array(0);
    this.missing = null;
    this.isText = meta.columns.map((column) => column.kind === "text");
    this.columns = meta.columns.map((_, i) => (this.isText[i] ? [] : new Float64Array(0)));
  }

  /** Take whole columns as they came from the station, without copying them. */
  load({ rows, first, arrays, texts }) {
    this.n = rows;
    this.next = first + rows;
    this.t = arrays.t ?? new Float64Array(rows);
    this.rx = arrays.rx ?? new Float64Array(rows);
    this.columns = this.meta.columns.map((column, i) => {
      if (this.isText[i]) return texts?.[column.name] ?? new Array(rows).fill("");
      return arrays[column.name] ?? new Float64Array(rows).fill(NaN);
    });
    while (this.n > this.cap) this.#thin();
  }

  /**
   * Append rows [t, rx, v...] whose first one has absolute index `from`. Known rows are skipped, a jump leaves a gap.
   */
  append(from, rows) {
    if (from > this.next) {
      if (this.n > 0) this.#push([this.t[this.n - 1], this.rx[this.n - 1]], true);
      this.next = from;
    }
    for (let i = this.next - from; i < rows.length; i++) this.#push(rows[i], false);
    this.next = Math.max(this.next, from + rows.length);
  }

  /** Index of the newest row that had arrived at station time rx, or -1. */
  rowAt(rx) {
    return rx === Infinity ? this.n - 1 : lastAtOrBefore(this.rx, this.n, rx);
  }

  /** Value of a column in a row; undefined where rows were lost between station and page. */
  value(column, row) {
    if (row < 0 || row >= this.n || this.missing?.[row]) return undefined;
    return this.columns[column][row];
  }

  #push(row, missing) {
    if (this.n >= this.cap) this.#thin();
    if (this.n >= this.t.length) this.#grow();
    const i = this.n++;
    this.t[i] = row[0];
    this.rx[i] = row[1];
    if (missing && !this.missing) this.missing = new Uint8Array(this.t.length);
    if (this.missing) this.missing[i] = missing ? 1 : 0;
    this.columns.forEach((column, c) => {
      const value = row[c + 2];
      if (this.isText[c]) column[i] = missing ? "" : String(value ?? "");
      else column[i] = missing ? NaN : parseNumber(value);
    });
  }

  #grow() {
    const capacity = Math.min(Math.max(FIRST_CAPACITY, this.t.length * 2), Math.max(this.cap, FIRST_CAPACITY));
    const wider = (old, Kind) => {
      const array = new Kind(capacity);
      array.set(old.subarray(0, this.n));
      return array;
    };
    this.t = wider(this.t, Float64Array);
    this.rx = wider(this.rx, Float64Array);
    if (this.missing) this.missing = wider(this.missing, Uint8Array);
    this.columns = this.columns.map((column, i) =>
      this.isText[i] ? column.slice(0, this.n) : wider(column, Float64Array),
    );
  }

  // Of the older half only every stride-th row stays, and the stride doubles whenever those alone fill a quarter of the
  // table: an evening on the pad keeps its whole history in bounded memory, only coarser and evenly so. The newer half
  // stays exact, and so does the very first row.
  #thin() {
    const half = this.n >> 1;
    let picked = Array.from({ length: this.coarse }, (_, i) => i);
    let row = this.coarse + this.#skip;
    for (; row < half; row += this.#stride) picked.push(row);
    this.#skip = row - half;
    while (picked.length > this.n >> 2) {
      if (picked.length % 2) this.#skip += this.#stride;
      picked = picked.filter((_, i) => i % 2 === 0);
      this.#stride *= 2;
    }
    for (const array of [this.t, this.rx, this.missing, ...this.columns]) {
      if (!array) continue;
      picked.forEach((from, i) => {
        array[i] = array[from];
      });
      array.copyWithin(picked.length, half, this.n);
    }
    this.n += picked.length - half;
    this.coarse = picked.length;
    this.columns.forEach((column, i) => {
      if (this.isText[i]) column.length = this.n;
    });
  }

  #stride = 2;
  #skip = 0;
}
