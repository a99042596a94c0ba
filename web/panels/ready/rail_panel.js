// Wind and rail before a flight: how fast it leaves the rail and how far it will lean into the wind, as the station
// foretells it from the sheet and the wind that was measured at the pad.

import { h, setHidden, setText, setTone } from "../../kit/dom.js";
import { fixed, speedText, withSigns } from "../../kit/format.js";

const DEG = 180 / Math.PI;
const LIVE = "live";
const WIND = "site.wind";
const LEAN_MOST_DEG = 30; // the safety code's limit, held against where the nose points now

/** The wind's line of the pad sheet as the journal has it now: another word of it is a reason to ask anew. */
function windTold(view) {
  const groups = view.state("pad_sheet", "definition")?.body?.groups;
  const items = Array.isArray(groups) ? groups.flatMap(({ items: some }) => some ?? []) : [];
  const name = items.find(({ measures }) => measures === WIND)?.name;
  const line = name && view.state("pad_sheet", `item ${name}`)?.body;
  return line?.by ? `${line.number} ${line.at}` : "";
}

export function RailPanel(el, acts) {
  const speed = h("b", { class: "big-figure", testid: "rail-speed" });
  const lean = h("b", { class: "big-figure", testid: "rail-lean" });
  const source = h("p", { class: "facts rail-source", testid: "rail-source" });
  const tilt = h("p", { class: "rail-tilt", testid: "rail-tilt" });
  const figures = h(
    "div",
    { class: "big-figures" },
    h("p", {}, speed, h("span", { text: "at the rail\u2019s end" })),
    h("p", {}, lean, h("span", { text: "into the wind to expect" })),
  );
  el.append(figures, tilt, source);
  let asked;
  return {
    update(view) {
      const name = view.page.replay?.name ?? LIVE;
      const key = `${name} ${windTold(view)}`;
      if (asked !== key) {
        asked = key;
        acts.lookAtPlan(name);
      }
      const plan = view.page.plans[name];
      const flight = plan?.forecast?.as_it_is;
      setHidden(figures, !flight);
      if (flight) {
        setText(speed, speedText(flight.rail_exit_speed_m_s, 0));
        setText(lean, `${fixed(flight.angle_of_attack_rad * DEG, 0)}\u00b0`);
        const slow = plan.forecast.limits.find((limit) => limit.name.startsWith("speed at") && !limit.met);
        setTone(figures, slow ? "caution" : "none");
      }
      setText(source, flight ? windWords(plan.forecast) : (plan?.problem ?? "Nothing foretold yet."));
      showTilt(view);
    },
  };

  function showTilt(view) {
    const sample = view.sample("ground.tilt");
    const known = sample && Number.isFinite(sample.value) && !sample.stale;
    setHidden(tilt, !sample || view.inFlight || Boolean(view.lacks("ground.tilt")));
    const degrees = known ? sample.value * DEG : NaN;
    setText(tilt, known ? `Stands ${fixed(degrees, 1)}\u00b0 from the vertical` : "How it stands is unknown");
    setTone(tilt, known && degrees > LEAN_MOST_DEG ? "warning" : "none");
  }
}

/** Whose wind that is: "wind measured at the pad, 6.6 m/s, entered at 14:02 UTC". */
function windWords({ as_it_is: flight, sources, limits }) {
  const own = sources.wind.startsWith("measured")
    ? withSigns(sources.wind)
    : `${speedText(flight.wind_m_s)} by ${withSigns(sources.wind)}`;
  const slow = limits.find(({ name, met }) => name.startsWith("speed at") && !met);
  return `Wind ${own}.${slow ? ` Too slow: ${withSigns(`${slow.asked} m/s`)}.` : ""}`;
}
