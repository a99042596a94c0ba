// Small made-up sessions for the tests. Values are invented.

export const DICTIONARY = {
  name: "made",
  vehicle: "Made",
  simulated: true,
  site: null,
  sheet: null,
  hash: "0",
  tables: [
    {
      name: "nav",
      title: "Nav",
      computed: false,
      rate_hz: 10,
      columns: [
        {
          name: "up",
          channel: "nav.up",
          kind: "number",
          unit: "m",
          display_unit: "m",
          display_scale: 1,
          display_offset: 0,
          role: "position.up",
        },
        { name: "mode", channel: "nav.mode", kind: "enum", unit: "1", role: "vehicle_phase", values: ["pad", "boost"] },
        { name: "note", channel: "nav.note", kind: "text", unit: "", role: null },
      ],
    },
    {
      name: "ground",
      title: "Ground",
      computed: true,
      rate_hz: 10,
      columns: [{ name: "height", channel: "ground.height", kind: "number", unit: "m", role: "ground.height" }],
    },
  ],
  commands: [
    {
      name: "safe_all",
      safes_all: true,
      hazard: "routine",
      args: [],
      effect: { "channel[*].armed": 0, "board.inhibited": 1 },
    },
    { name: "quiet_board", hazard: "routine", args: [], effect: { "board.inhibited": 1 } },
    { name: "camera_power", hazard: "routine", args: [] },
  ],
};

/** The bytes of /columns for {table: {column: number[]}}, written from the contract and not from the parser. */
export function columnsBuffer(session, tables, journal = [], texts = {}) {
  const header = {
    session,
    journal,
    texts,
    t_range: [0, 1],
    rx_range: [0, 1],
    tables: Object.entries(tables).map(([name, columns]) => ({
      name,
      first: 0,
      rows: Object.values(columns)[0].length,
      columns: Object.keys(columns),
    })),
  };
  let text = JSON.stringify(header);
  while ((8 + new TextEncoder().encode(text).length) % 8) text += " ";
  const head = new TextEncoder().encode(text);
  const values = Object.values(tables).flatMap((columns) => Object.values(columns).flat());
  const buffer = new ArrayBuffer(8 + head.length + 8 * values.length);
  const view = new DataView(buffer);
  for (const [i, letter] of [..."BHC1"].entries()) view.setUint8(i, letter.charCodeAt(0));
  view.setUint32(4, head.length, true);
  new Uint8Array(buffer).set(head, 8);
  for (const [i, value] of values.entries()) view.setFloat64(8 + head.length + 8 * i, value, true);
  return buffer;
}

export const entry = (i, rx, topic, key, body = {}, text = "", severity = "info") => ({
  i,
  rx,
  t: rx,
  topic,
  key,
  severity,
  text,
  body,
});
