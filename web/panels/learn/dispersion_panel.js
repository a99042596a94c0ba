// Where and how the next flight may go: many flights drawn within the doubt of every number, by the station, on demand.

import { boxOf, builder, h, setHidden, setText } from "../../kit/dom.js";
import { fixed, lengthText, speedText, withSigns } from "../../kit/format.js";
import { PlanDrawing } from "../../pictures/plan_drawing.js";
import { bandWords } from "../../pictures/plan_words.js";
import { heldAgainst } from "./foretold.js";

const DEG = 180 / Math.PI;
const LIVE = "live";
const FLIGHTS = 2000;
const SOUNDING_AT_MOST = 12000;
export const CAUTION =
  "A region is no keep-out: who stands where, the site and the angle go by the safety code and the range safety " +
  "officer. One flight in twenty comes down outside it even if every doubt is told rightly.";

const nameOf = (view) => view.page.replay?.name ?? LIVE;
const degrees = (rad) => `${fixed(rad * DEG, 0)}\u00b0`;
const seconds = (s) => `${fixed(s, 1)} s`;

// [key of the station's numbers, title, how one is told]
const NUMBERS = [
  ["apogee_m", "Apogee", (m) => lengthText(m)],
  ["apogee_s", "Apogee after ignition", seconds],
  ["rail_exit_speed_m_s", "Speed at the rail\u2019s end", (speed) => speedText(speed)],
  ["angle_of_attack_rad", "Angle of attack there", degrees],
  ["lean_rad", "Greatest lean in the first 2.5 s", degrees],
  ["greatest_speed_m_s", "Greatest speed", (speed) => speedText(speed, 0)],
];

/** A share of the drawn flights, never rounded to all or none. */
export function shareWords(share) {
  if (share <= 0 || share >= 1) return share > 0 ? "all" : "none";
  if (share < 0.01) return "less than 1\u00a0%";
  return share > 0.99 ? "more than 99\u00a0%" : `${fixed(share * 100, 0)}\u00a0%`;
}

/** A band of the station's answer as the plan draws it: m and rad. */
export const bandOf = ({ near_m: near, far_m: far, from_deg: from, over_deg: over }) => ({
  near,
  far,
  from: from / DEG,
  over: over / DEG,
});

/** What is said first. */
export function headline({ stuck, flights, control }) {
  const words = stuck ? [`${stuck} of ${flights} flights never left the rail`] : [];
  if (control?.seconds) {
    const { low, high } = control.seconds;
    const needs =
      control.chance === null
        ? ""
        : `; the ${control.needs_s} s it needs come in ${shareWords(control.chance)} of them`;
    words.push(`Under control for ${fixed(low, 1)} to ${seconds(high)}${needs}`);
  }
  return words.join(". ");
}

/** "As it should be: 95 % of flights come down ...; less than 1 % outside the field." */
export function caseWords({ title, band, outside }) {
  const where = band ? bandWords(bandOf(band)) : "too few to say where they come down";
  const field = outside === null ? "" : `; ${shareWords(outside)} outside the field`;
  return `${title[0].toUpperCase()}${title.slice(1)}: ${where}${field}.`;
}

function numbers(told) {
  const rows = NUMBERS.filter(([key]) => told.numbers[key]).map(([key, title, text]) => [
    title,
    told.numbers[key],
    text,
  ]);
  if (told.control?.seconds) rows.push(["Under control", told.control.seconds, seconds]);
  const head = ["", "95\u00a0% from", "middle", "to"].map((text) => h("th", { scope: "col", text }));
  const row = ([title, { low, middle, high }, text]) =>
    h(
      "tr",
      {},
      h("th", { scope: "row", text: title }),
      ...[low, middle, high].map((one) => h("td", { text: text(one) })),
    );
  return h(
    "table",
    { class: "grid", testid: "dispersion-numbers" },
    h("thead", {}, h("tr", {}, ...head)),
    h("tbody", {}, ...rows.map(row)),
  );
}

/**
 * @param {Element} el
 * @param {{drawFlights: (session: string, changes: object, flights: number) => void, stopDrawing: () => void,
 *   trouble: (sentence: string) => void, changed: () => void}} acts
 */
export function DispersionPanel(el, acts) {
  let session;
  let chosen = "nominal";
  let changes = {};
  let sounding = "";
  const begin = h("button", {
    type: "button",
    class: "act",
    text: `Draw ${FLIGHTS} flights`,
    testid: "dispersion-draw",
  });
  const stop = h("button", { type: "button", class: "act", text: "Stop", testid: "dispersion-stop" });
  const progress = h("progress", { max: FLIGHTS, "aria-label": "Flights drawn" });
  const said = h("span", { role: "status", testid: "dispersion-said" });
  const file = h("input", { type: "file", accept: ".csv,.txt", testid: "dispersion-wind" });
  const byFlight = h("input", { type: "checkbox", testid: "dispersion-by-flight" });
  const body = h("div", { testid: "dispersion" });
  const place = h("div", { class: "dispersion-plan" });
  const cases = h("div", { class: "dispersion-cases", role: "group", "aria-label": "How it comes down" });
  const caseSaid = h("p", { class: "dispersion-first", testid: "dispersion-case" });
  const both = h("div", { class: "dispersion-both" }, h("div", {}, cases, caseSaid, place), body);
  const kept = h("div", { testid: "foretold" });
  el.append(
    h("p", { class: "dispersion-caution", text: CAUTION }),
    kept,
    h("div", { class: "dispersion-acts" }, begin, stop, progress, said),
    h(
      "label",
      { class: "video-pick", "data-si": true },
      "Wind by height: height_m,speed_m_s,from_deg on each line, CSV ",
      file,
    ),
    h("label", { class: "plan-keep" }, byFlight, " the wind that this flight drifted in when it came down"),
    both,
  );
  const plan = PlanDrawing(place);
  const box = boxOf(place, acts.changed);
  const [onceCases, onceBody, onceKept] = [builder(), builder(), builder()];

  const choose = (name) => {
    chosen = name;
    acts.changed();
  };
  begin.addEventListener("click", () => {
    const wind = byFlight.checked ? { by_flight: "1" } : sounding ? { sounding } : {};
    acts.drawFlights(session, { ...changes, ...wind }, FLIGHTS);
  });
  stop.addEventListener("click", () => acts.stopDrawing());
  file.addEventListener("change", async () => {
    const text = (await file.files[0]?.text()) ?? "";
    if (text.length > SOUNDING_AT_MOST) acts.trouble("The sounding is too long; a few hundred heights are plenty.");
    sounding = text.length > SOUNDING_AT_MOST ? "" : text;
  });

  return {
    update(view) {
      session = nameOf(view);
      const known = view.page.plans[session];
      changes = known?.changes ?? {};
      const drawn = known?.drawn;
      const { told, busy, problem } = drawn ?? {};
      setHidden(begin, Boolean(busy));
      begin.disabled = !known?.forecast;
      setHidden(stop, !busy);
      setHidden(progress, !busy);
      if (busy) progress.value = busy.done;
      setText(said, busy ? `${busy.done} of ${busy.of}` : (problem ?? (told ? "" : "Not drawn yet.")));
      setHidden(both, !told);
      const { journal } = view.store;
      const held = view.page.replay
        ? heldAgainst(journal.state("foretold", "landing")?.body, (name) => journal.state("figure", name)?.body)
        : [];
      onceKept(JSON.stringify(held), () => kept.replaceChildren(...(held.length ? [foretoldTable(held)] : [])));
      setHidden(byFlight.parentElement, session === LIVE);
      if (!told) return;
      const mine = told.cases.find((one) => one.case === chosen) ?? told.cases[0];
      onceCases(JSON.stringify([told.seed, told.cases.map((one) => one.title), mine.case]), () =>
        cases.replaceChildren(...caseButtons(told.cases, mine, choose)),
      );
      setText(caseSaid, caseWords(mine));
      onceBody(told, () => body.replaceChildren(...answer(told)));
      plan.draw(planData(view, mine), box);
    },
  };
}

function caseButtons(cases, mine, choose) {
  return cases.map((one) =>
    h("button", {
      type: "button",
      class: "act -small",
      text: one.title,
      testid: `dispersion-${one.case}`,
      "aria-pressed": String(one.case === mine.case),
      on: { click: () => choose(one.case) },
    }),
  );
}

function foretoldTable(rows) {
  const head = ["Foretold at the pad", "95\u00a0%", "flown", ""].map((text) => h("th", { scope: "col", text }));
  const row = ({ title, foretold, flown, held }) =>
    h(
      "tr",
      {},
      h("th", { scope: "row", text: title }),
      h("td", { text: foretold }),
      h("td", { text: flown }),
      h("td", { text: held ? "as foretold" : "outside it" }),
    );
  return h("table", { class: "grid" }, h("thead", {}, h("tr", {}, ...head)), h("tbody", {}, ...rows.map(row)));
}

function planData(view, { band, places }) {
  return {
    track: [],
    bands: band ? [bandOf(band)] : [],
    drawn: places.map(([east, north]) => ({ east, north })),
    map: view.store.dictionary.map ?? undefined,
  };
}

function answer(told) {
  const first = headline(told);
  return [
    first && h("p", { class: "dispersion-first", testid: "dispersion-first", text: `${first}.` }),
    numbers(told),
    ...told.lacks.map((text) => h("p", { class: "plan-says", text: withSigns(text) })),
    h("p", {
      class: "plan-says",
      text: Object.entries(told.sources)
        .map(([name, text]) => `${name}: ${withSigns(text)}`)
        .join("; "),
    }),
    h(
      "details",
      {},
      h("summary", { text: "One sigma of each number" }),
      h("p", {
        class: "plan-says",
        "data-si": true,
        text: Object.entries(told.doubts)
          .map(([name, text]) => `${name} ${text}`)
          .join("; "),
      }),
      h("p", {
        class: "plan-says",
        text: "By the doubt tables of the sheet, or else as usual (common practice, no source).",
      }),
    ),
  ].filter(Boolean);
}
