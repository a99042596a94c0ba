// The binary columns of a session: "BHC1", header length, JSON header padded to 8 bytes, then float64 columns.

const PREFIX = 8;

/**
 * Cut the answer of /columns into typed arrays that share its memory.
 * @param {ArrayBuffer} buffer
 * @returns {{header: object, tables: Map<string, {rows:number, first:number, arrays:object, texts:object}>}}
 * @throws {Error} with a sentence, when the bytes are not such an answer or are cut short
 */
export function parseColumns(buffer) {
  const bytes = new Uint8Array(buffer);
  if (bytes.length < PREFIX || String.fromCharCode(...bytes.subarray(0, 4)) !== "BHC1") {
    throw new Error("The station's answer is not a set of columns.");
  }
  const length = new DataView(buffer).getUint32(4, true);
  if (PREFIX + length > bytes.length) throw new Error("The station's columns are cut short in the header.");
  const header = JSON.parse(new TextDecoder().decode(bytes.subarray(PREFIX, PREFIX + length)));
  return { header, tables: cutTables(buffer, PREFIX + length, header) };
}

function cutTables(buffer, start, header) {
  const tables = new Map();
  let offset = start;
  for (const { name, rows, first, columns } of header.tables) {
    const arrays = {};
    for (const column of columns) {
      if (offset + 8 * rows > buffer.byteLength)
        throw new Error(`The station's columns are cut short in ${name}.${column}.`);
      arrays[column] = new Float64Array(buffer, offset, rows);
      offset += 8 * rows;
    }
    tables.set(name, { rows, first, arrays, texts: header.texts?.[name] ?? {} });
  }
  return tables;
}
