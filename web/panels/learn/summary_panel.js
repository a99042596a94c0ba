// The summary of a session as a plain table, as the station computed it.

import { plusMinus } from "../../kit/descent_words.js";
import { h, setHidden, setText, watcher } from "../../kit/dom.js";
import { duration, fixed, lengthText, NOTHING, speedText, withSigns } from "../../kit/format.js";
import { lacking } from "../../session/needs.js";

/** Rows [title, text] of a summary and its dictionary's roles; only what the station sent, nothing computed here. */
export function summaryRows(summary, roles) {
  const zero = summary.lift_off_t;
  const at = (t) => (Number.isFinite(t) && Number.isFinite(zero) ? ` at T+${fixed(t - zero, 1)} s` : "");
  const rows = [
    ["Duration", duration(summary.duration_s)],
    ["Apogee", summary.apogee ? `${lengthText(summary.apogee.height_m, 1)}${at(summary.apogee.t)}` : "not reached"],
    ["Greatest speed", fastestText(summary, at)],
    ["Greatest tilt before apogee", tiltText(summary, roles)],
    ["Non-finite frames", String(summary.nonfinite_frames ?? NOTHING)],
    ["Packets", `${sum(summary.packets)}, damaged ${summary.damaged ?? NOTHING}, lost ${summary.lost ?? NOTHING}`],
    ...(summary.phases ?? []).map(({ phase, t }) => [
      `Phase: ${phase}`,
      Number.isFinite(zero)
        ? `T${t - zero < 0 ? "\u2212" : "+"}${Math.abs(t - zero).toFixed(1)} s`
        : `${fixed(t, 1)} s`,
    ]),
    ...Object.entries(summary.absent ?? {}).map(([what, why]) => [`Not told: ${what}`, withSigns(why)]),
    ...(summary.commands ?? []).map(({ title, args_text, state_text }) => [
      `Command: ${title}${args_text ? `, ${args_text}` : ""}`,
      state_text,
    ]),
  ];
  return rows;
}

// As judged, with its doubt; what the vehicle's own state vector says has none.
function fastestText(summary, at) {
  const figure = summary.figures?.greatest_speed ?? {};
  const told = summary.greatest_speed_m_s;
  const own = Number.isFinite(told) ? `${speedText(told)} by the vehicle's state vector` : "";
  if (!Number.isFinite(figure.speed_m_s)) return own || `not measured: ${withSigns(figure.reason ?? "it did not fly")}`;
  return `${plusMinus(figure.speed_m_s, figure.sigma_m_s, 0, "m/s")} by the ${figure.source}${at(figure.t)}`;
}

function tiltText(summary, roles) {
  if (Number.isFinite(summary.greatest_tilt_deg)) return `${fixed(summary.greatest_tilt_deg, 1)}\u00b0`;
  const lack = lacking(roles, "ground.tilt");
  return `not measured: ${lack ? `${lack} is not in this vehicle's dictionary` : "it did not fly"}`;
}

function sum(packets) {
  return Object.values(packets ?? {}).reduce((total, count) => total + count, 0);
}

export function SummaryPanel(el) {
  const table = h("table", { class: "grid -summary" });
  const none = h("p", { class: "absent" });
  el.append(table, none);
  const moved = watcher();
  return {
    update(view) {
      const { summary, replay } = view.page;
      setText(
        none,
        replay ? "The station could not make a summary of this session." : "Open a session to see its summary.",
      );
      if (!moved(summary)) return;
      setHidden(none, Boolean(summary));
      setHidden(table, !summary);
      table.replaceChildren(
        ...(summary ? summaryRows(summary, view.store.roles) : []).map(([title, text]) =>
          h("tr", {}, h("th", { scope: "row", text: title }), h("td", { text })),
        ),
      );
    },
  };
}
