// Where to walk: distance and bearing large enough to be read outdoors while walking, with what they rest on.

import { h, s, setAttr, setClass, setHidden, setText } from "../../kit/dom.js";
import { bearing, distance, NOTHING } from "../../kit/format.js";
import { tellsPlace } from "../../pictures/plan_data.js";
import { phoneOf } from "./phone_place.js";
import { AT_PAD_M, fromYouWords, OFFICER_WAITS, personOf, phoneWords, ringTurn, walkAt } from "./walk.js";
import { lastPointWords, otherWords, placeWords } from "./whereabouts.js";

const LETTERS = [
  ["N", 0, -99],
  ["E", 101, 5],
  ["S", 0, 109],
  ["W", -101, 5],
];

function Rose() {
  const needle = s("path", { class: "needle", d: "M0 -78 L22 46 L0 30 L-22 46 Z" });
  const letters = LETTERS.map(([text, x, y]) =>
    s("text", { class: "rose-letter", x, y, "text-anchor": "middle", text }),
  );
  const ring = s("g", {}, ...letters, needle);
  const el = s(
    "svg",
    { class: "rose", viewBox: "-116 -116 232 232", role: "img", "data-testid": "rose" },
    s("circle", { class: "rose-ring", r: 92 }),
    ring,
  );
  return {
    el,
    /** @param {number|null} toward rad from north, null for no arrow @param {number|null} turn degrees of the ring */
    point(toward, turn, words) {
      setAttr(ring, "transform", `rotate(${Math.round(turn ?? 0)})`);
      setAttr(needle, "transform", `rotate(${toward === null ? 0 : Math.round((toward * 180) / Math.PI)})`);
      setAttr(needle, "visibility", toward === null ? "hidden" : "visible");
      setAttr(el, "aria-label", words);
    },
  };
}

export function WalkPanel(el, acts) {
  const phone = phoneOf(acts);
  const rose = Rose();
  const title = h("h2", { class: "walk-title", testid: "walk-title" });
  const note = (testid, kind = "") => h("p", { class: `walk-note ${kind}`, testid });
  const degrees = h("span", { class: "walk-number", testid: "recovery-bearing" });
  const point = h("span", { class: "walk-unit" });
  const far = h("span", { class: "walk-number", testid: "recovery-distance" });
  const from = h("p", { class: "walk-unit", text: "from the pad" });
  const basis = note("recovery-basis", "-basis");
  const bar = note("walk-bar", "-basis");
  const last = note("recovery-last");
  const other = note("recovery-other");
  const fromYou = note("from-you", "-basis");
  const why = note("phone-why");
  const button = h("button", { type: "button", class: "act", testid: "phone-place", on: { click: press } });
  const none = h("p", {
    class: "absent",
    text: "No position in this vehicle's dictionary, so no bearing can be given.",
  });
  const numbers = h("p", { class: "walk-numbers" }, far, h("span", { class: "walk-pair" }, degrees, point));
  const waits = h("p", { class: "walk-note", text: OFFICER_WAITS, testid: "officer-waits" });
  const walk = h(
    "div",
    { class: "walk" },
    h("div", { class: "walk-words" }, title, numbers, from, basis, bar),
    rose.el,
    h("div", { class: "walk-more" }, last, other, waits, fromYou, why, button),
  );
  el.append(walk, none);

  function press() {
    if (phone.state === "on" || phone.state === "asking") phone.stop();
    else phone.ask();
  }

  function updatePhone(view, person, now) {
    setHidden(button, phone.state === "none");
    const on = phone.state === "on" || phone.state === "asking";
    setText(button, on ? "Stop using my place" : "Use my place and compass");
    const words = fromYouWords(person && walkAt(view, person), person);
    setText(fromYou, words);
    setHidden(fromYou, !words);
    const told = phoneWords(view, phone, now);
    setText(why, told);
    setHidden(why, !told);
  }

  function updateHeadline(view, pad) {
    const away = pad && pad.best.distance >= AT_PAD_M;
    const words = bearing(away ? pad.best.bearing : NaN);
    setText(title, pad?.title ?? "Where it lies");
    setText(far, away ? distance(pad.best.distance) : pad ? "At the pad" : NOTHING);
    setClass(far, "-words", pad && !away);
    setText(degrees, away ? `${words.degrees}\u00b0` : "");
    setText(point, away ? words.point : "");
    setHidden(from, !away);
    setText(basis, placeWords(view, pad?.best));
    setText(last, pad?.best.basis === "forecast" ? lastPointWords(view) : "");
    setText(other, otherWords(view));
  }

  // One arrow: from where the person stands once that is known. Where something forbids the way there is none.
  function updateArrow(view, way, person) {
    const arrow = way && !way.here && !way.bar ? way.bearing : null;
    const turn = person ? ringTurn(phone, view.store.dictionary.site?.declination_deg) : null;
    const told = arrow === null ? "No arrow" : `Arrow to ${bearing(arrow).degrees} degrees`;
    rose.point(arrow, turn, turn === null ? `${told}, north is up` : `${told}; the top is where this phone points`);
    setText(bar, way?.bar?.sentence ?? "");
  }

  return {
    update(view) {
      const able = tellsPlace(view);
      setHidden(walk, !able);
      setHidden(none, able);
      if (!able) return;
      const now = Date.now();
      const person = personOf(view, phone, now);
      const pad = walkAt(view);
      updateHeadline(view, pad);
      updateArrow(view, person ? walkAt(view, person) : pad, person);
      updatePhone(view, person, now);
    },
  };
}
