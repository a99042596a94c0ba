// The vehicle's own log over the recording: bring it in, see how sure its clock is, look at both and at what the radio lost.

import { fixed } from "./format.js";
import { h, setHidden, setText } from "./dom.js";
import { overlay } from "./overlay.js";

const PAIRS = [["accel.a.z", "Force along the nose, m/s\u00b2"], ["position.up", "Height, m"], ["altitude_baro", "Height by the vehicle's barometer, m"], ["pressure", "Pressure, Pa"], ["body_rate.z", "Roll rate, rad/s"]];
const AROUND_S = 5;

/** What the station says of a log, as sentences. */
export function sentences(told) {
  const found = told.alignment ?? told;
  if (found.refused) return [`Not aligned: ${found.refused}.`];
  const clock = `Recording time is ${fixed(found.offset_s, 3)} s plus the log's time, drifting ${fixed(found.drift * 1e6, 0)} millionths; sure to ${fixed(found.sigma_s * 1000, 1)} ms (one sigma), match ${fixed(found.match, 3)} over ${fixed(found.overlap_s, 0)} s.`;
  const lost = (told.lost ?? []).map((one) => `${one.role}: ${fixed(one.share * 100, 1)} % not heard (${one.due - one.heard} of ${one.due}), longest gap ${fixed(one.longest_gap_s, 2)} s`);
  return [clock, ...lost];
}

export function OnboardPanel(el, acts) {
  const input = h("input", { type: "file", accept: ".csv,.txt,.log", "aria-label": "The vehicle's own log", testid: "onboard-file", on: { change: () => { if (input.files[0]) acts.bringLog(input.files[0]); input.value = ""; } } });
  const pick = h("label", { class: "video-pick" }, "Bring in the vehicle's own log (CSV) ", input);
  const drop = h("button", { type: "button", class: "act -small", text: "Take the log away", testid: "onboard-drop", on: { click: () => acts.dropLog() } });
  const says = h("ul", { class: "onboard-says", testid: "onboard-says" });
  const none = h("p", { class: "absent" });
  const curves = h("div");
  el.append(none, pick, says, drop, curves);
  let shown;
  return {
    update(view) {
      const { replay, onboard, canKeep } = view.page;
      setHidden(none, Boolean(replay && canKeep));
      setText(none, replay ? "Bringing in a log needs the longer link that the terminal printed." : "Open a session to bring in the vehicle's own log.");
      setHidden(pick, !replay || !canKeep);
      setHidden(drop, !onboard?.table || !canKeep);
      if (onboard === shown) return;
      shown = onboard;
      const words = onboard?.busy ? [onboard.busy] : onboard?.told ? sentences(onboard.told) : [];
      says.replaceChildren(...words.map((text) => h("li", { text })));
      curves.replaceChildren(...(onboard?.table ? drawings(view, onboard) : []));
    },
  };
}

function drawings(view, { table, roles }) {
  const moment = (key) => view.store.journal.state("moment", key)?.body?.t;
  const [start, end] = view.store.tRange;
  const zero = moment("lift_off") ?? start;
  const range = [Math.max(start, zero - AROUND_S) - zero, Math.min(end, (moment("landing") ?? end) + AROUND_S) - zero];
  const from = (t) => Float64Array.from(t, (one) => one - zero);
  return PAIRS.filter(([role]) => roles[role] && view.store.roles.has(role)).map(([role, title]) => {
    const binding = view.store.roles.get(role);
    const heard = view.store.tables.get(binding.table);
    return overlay(title, [
      { name: "radio", t: from(heard.t.subarray(0, heard.n)), values: heard.columns[binding.index].subarray(0, heard.n) },
      { name: "onboard log", t: from(table.arrays.t), values: table.arrays[roles[role]] },
    ], range);
  });
}
