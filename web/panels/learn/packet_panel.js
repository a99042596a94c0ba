// The packet at the cursor as it crossed the radio: name, count, time to the millisecond, bytes, fields, bad ones
// marked.

import { h, setAttr, setHidden, setText } from "../../kit/dom.js";
import { fixed, sentence, unitText } from "../../kit/format.js";
import { unitsName } from "../../kit/units.js";

const WAIT_MS = 120; // while a hand drags the cursor nothing is asked for
const SAME_S = 5e-4;

/**
 * Which of the packets that arrived together is looked at: the one stepped to, else the one with a bad field, else 0.
 */
export function chosenOf(packets, held) {
  if (held) {
    const at = packets.findIndex(({ name, t }) => name === held.table && Math.abs(t - held.t) < SAME_S);
    if (at >= 0) return at;
  }
  return Math.max(
    0,
    packets.findIndex(({ wrong, fields }) => wrong || fields.some(({ bad }) => bad)),
  );
}

/** Head lines of a packet: [title, text]. `zero` is the timeline second of lift-off. */
export function packetLines(packet, zero) {
  const clock = (t) => `T${t < zero ? "\u2212" : "+"}${Math.abs(t - zero).toFixed(3)} s`;
  return [
    ["count", packet.count === null ? "the format has none" : String(packet.count)],
    ["time", packet.t === null ? "not placed" : zero === undefined ? `${packet.t.toFixed(3)} s` : clock(packet.t)],
    ["vehicle\u2019s clock", packet.time_ms === null ? "not on the wire" : `${packet.time_ms} ms`],
    ["length", `${packet.size} bytes`],
  ];
}

export function fieldText({ value, unit, bad }) {
  if (bad) return bad;
  if (typeof value === "string") return value;
  const digits = Number.isInteger(value) ? 0 : Math.abs(value) < 10 ? 4 : 2;
  return `${fixed(value, digits)} ${unitText(unit)}`.trim();
}

/** The panel's elements. */
function parts(acts) {
  const which = h("span", { class: "packet-which" });
  const name = h("b", { class: "packet-name", testid: "packet-name" });
  const lines = h("dl", { class: "packet-lines", testid: "packet-lines" });
  const wrong = h("p", { class: "packet-wrong", role: "status" });
  const fields = h("ul", { class: "packet-fields", testid: "packet-fields", "data-si": true });
  const si = h("p", { class: "facts", text: "As on the wire: SI, whatever units are read." });
  const hex = h("code", { class: "packet-hex", testid: "packet-hex" });
  const bytes = h("details", { class: "packet-bytes" }, h("summary", { text: "Bytes on the radio, hex" }), hex);
  const act = (testid, direction, label, text) =>
    h("button", {
      type: "button",
      class: "act",
      testid,
      "aria-label": label,
      text,
      on: { click: () => acts.replay("step", direction) },
    });
  const none = h("p", { class: "absent", text: "Pause, then step (\u2190 \u2192) to read packet by packet." });
  const body = h(
    "div",
    {},
    h(
      "div",
      { class: "packet-head" },
      act("packet-back", -1, "One packet back", "\u25c2"),
      h("span", { class: "packet-title" }, name, which),
      act("packet-on", 1, "One packet on", "\u25b8"),
    ),
    wrong,
    lines,
    si,
    fields,
    bytes,
  );
  return { which, name, lines, wrong, si, fields, hex, none, body };
}

export function PacketPanel(el, acts) {
  const { which, name, lines, wrong, si, fields, hex, none, body } = parts(acts);
  el.append(none, body);
  let asked = "";
  let told = null;
  let drawn = "";
  let timer = 0;

  function ask(session, rx) {
    const key = `${session} ${rx}`;
    if (key === asked) return;
    asked = key;
    clearTimeout(timer);
    timer = setTimeout(async () => {
      const answer = await acts.packets(session, rx);
      if (key !== asked || !answer) return;
      told = { key, ...answer };
      acts.changed();
    }, WAIT_MS);
  }

  function draw(packet, at, view) {
    const zero = view.store.journal.state("moment", "lift_off")?.body?.t;
    const many = told.packets.length + told.left_out;
    setText(name, packet.name ? sentence(packet.name.replaceAll("_", " ")) : "Damaged frame");
    setAttr(name, "title", packet.title);
    setText(which, many > 1 ? `${at + 1} of ${many} that arrived together` : "arrived alone");
    const bad = packet.fields.filter((one) => one.bad);
    setText(
      wrong,
      packet.wrong || (bad.length ? `${bad.length} field${bad.length > 1 ? "s" : ""}: ${bad[0].bad}` : ""),
    );
    setHidden(wrong, !wrong.textContent);
    lines.replaceChildren(
      ...packetLines(packet, zero).flatMap(([title, text]) => [h("dt", { text: title }), h("dd", { text })]),
    );
    fields.replaceChildren(
      ...packet.fields.map((one) =>
        h(
          "li",
          { "data-tone": one.bad ? "warning" : "none", "data-field": one.name },
          h("span", { class: "packet-field", text: one.label }),
          h("span", { class: "packet-value", text: fieldText(one) }),
        ),
      ),
    );
    setText(hex, packet.hex || "not kept");
  }
  return {
    update(view) {
      const { replay } = view.page;
      setHidden(el.parentElement, !replay);
      if (!replay) return;
      const still = !replay.clock.playing;
      if (still && el.offsetParent !== null) ask(replay.name, view.cursor.rx);
      const ready = still && told?.key === asked && told.packets.length > 0;
      setHidden(none, ready || told !== null);
      setHidden(body, !told?.packets.length);
      setHidden(si, unitsName() === "metric");
      if (!ready) return;
      const at = chosenOf(told.packets, view.cursor.packet);
      const key = `${told.key} ${at}`;
      if (key === drawn) return;
      drawn = key;
      draw(told.packets[at], at, view);
    },
  };
}
