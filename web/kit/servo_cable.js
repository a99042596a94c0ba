// The servo cable: bus voltage, current, age of the last good servo frame, and whether the connector is closed.

import { h, setText, setTone } from "./dom.js";
import { duration, NOTHING, tClock } from "./format.js";
import { sampleWords, unknownWas } from "./silence_words.js";

const VALUES = [
  ["servo_bus.voltage", "Bus voltage"],
  ["servo_bus.current", "Bus current"],
  ["servo_bus.frame_age", "Last good servo frame"],
];

/** What is said of the connector, and how it is drawn: [words, tone]. */
export function connectorWords(view) {
  const entry = view.state("cable", "servo");
  if (!entry?.body) return [NOTHING, "none"];
  if (view.silence) return [unknownWas(entry.body.open ? "OPEN" : "closed", view.silence.for_s), "stale"];
  return heardWords(view, entry);
}

function heardWords(view, entry) {
  const { body } = entry;
  if (!body.open) return ["closed", "none"];
  const zero = view.moment("lift_off")?.t;
  const since =
    zero === undefined ? `for ${duration(view.lasting(entry, body.since_t))}` : `since ${tClock(body.since_t - zero)}`;
  const alarm = view.alarms().find(({ key }) => key === "servo cable");
  if (alarm) return [`OPEN ${since}`, alarm.severity];
  const kind = view.state("figure", "servo_cable")?.body?.kind ?? "";
  const when = kind.includes("deployment") || kind.startsWith("before") ? `, ${kind}` : "";
  return [`open ${since}${when}`, kind.startsWith("before") ? "caution" : "none"];
}

/** Its lines as a list of pairs; `has` tells whether the vehicle sends anything of it. */
export function ServoCable() {
  const connector = h("dd", { testid: "servo-connector" });
  const el = h("dl", { class: "pairs servo-cable-pairs" });
  let rows = [];
  return {
    el,
    build(view) {
      rows = VALUES.filter(([role]) => view.has(role)).map(([role, title]) => ({ role, title, value: h("dd") }));
      const lines = rows.flatMap(({ title, value }) => [h("dt", { text: title }), value]);
      el.replaceChildren(...(rows.length ? [h("dt", { text: "Servo connector" }), connector, ...lines] : []));
      return rows.length > 0;
    },
    update(view) {
      const [words, tone] = connectorWords(view);
      setText(connector, words);
      setTone(connector, tone);
      for (const { role, value } of rows) {
        const sample = view.sample(role);
        setText(value, sampleWords(sample) + (role.endsWith("frame_age") && !sample.stale ? " old" : ""));
        setTone(value, sample.stale ? "stale" : "none");
      }
    },
  };
}
