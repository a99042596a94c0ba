// What happened on one line, and each finding as a card: a press on either shows the frame and the strip it rests on.

import { boxOf, h, s, setAttr, setHidden, setText, watcher } from "../../kit/dom.js";
import { sentence, tClock, withSigns } from "../../kit/format.js";
import { story, storyWords } from "../../pictures/story.js";
import { findingsOf } from "../../session/findings.js";

const HEIGHT = 82;
const BAND_Y = 30;
const BAND_H = 18;
const BAND_END = BAND_Y + BAND_H;
const WORD_Y = [63, 78];
const BEFORE_S = 1;
const AFTER_S = 2;
const LIVE_S = 1; // how often what is still being recorded is drawn anew
const FIRST = new Set(["lift_off", "apogee", "landing", "control_enabled"]);
const NAMES = { lift_off: "Lift-off" };
const WORDS = { warning: "Warning", caution: "Caution" };

const momentOf = (entry) => entry.body.t ?? entry.t;

/** What the line is drawn of: the flight, or the whole session where it did not fly. */
export function flightLine(view) {
  const { journal, tRange } = view.store;
  const moment = (key) => journal.state("moment", key)?.body?.t;
  const liftOff = moment("lift_off");
  const apogee = moment("apogee");
  const range =
    liftOff === undefined
      ? tRange
      : [Math.max(tRange[0], liftOff - BEFORE_S), Math.min(tRange[1], (moment("landing") ?? tRange[1]) + AFTER_S)];
  return {
    range,
    bend: apogee === undefined ? undefined : apogee + AFTER_S,
    phases: journal
      .past("phase", "ground")
      .map(({ body, t }) => ({ name: String(body.phase).replaceAll("_", " "), t }))
      .filter(({ t }) => t < range[1]),
    events: journal
      .states("moment")
      .map(({ key, body, t }) => ({
        name: NAMES[key] ?? sentence(key.replaceAll("_", " ")),
        t: body?.t ?? t,
        first: FIRST.has(key),
      }))
      .sort((a, b) => a.t - b.t),
    findings: findingsOf(view, true).map((entry) => ({ key: entry.key, severity: entry.severity, t: momentOf(entry) })),
    zero: liftOff,
  };
}

export function StoryPanel(el, acts) {
  const drawing = s("svg", { class: "story", role: "img", height: HEIGHT });
  const flags = h("div", { class: "story-flags" });
  const line = h("div", { class: "story-box" }, drawing, flags);
  const cards = h("ol", { class: "findings -cards", testid: "findings" });
  const advice = h("p", { class: "finding-advice", testid: "finding-advice" });
  const none = h("p", { class: "absent" });
  el.append(line, cards, advice, none);
  const box = boxOf(line, acts.changed);
  const moved = watcher();
  let playhead;
  let scale;
  let chosen;
  let now;
  drawing.addEventListener("click", (event) => {
    if (scale) acts.replay("seek", scale.t(event.clientX - drawing.getBoundingClientRect().left));
  });
  const look = (key, t) => {
    chosen = key;
    acts.replay("look", { t, key });
  };

  function draw(view) {
    const told = flightLine(view);
    const shape = story(told, box.width);
    scale = shape.scale;
    setAttr(drawing, "viewBox", `0 0 ${box.width} ${HEIGHT}`);
    setAttr(drawing, "width", box.width);
    setAttr(drawing, "aria-label", storyWords(told, told.zero));
    playhead = s("line", { class: "story-now", y1: BAND_Y - 4, y2: HEIGHT });
    drawing.replaceChildren(
      ...shape.bands.flatMap((band, i) => [
        s("rect", {
          class: `story-band -b${i % 2}`,
          x: band.from,
          y: BAND_Y,
          width: band.to - band.from,
          height: BAND_H,
        }),
        band.fits && s("text", { class: "story-phase", x: band.from + 5, y: BAND_Y + 13, text: sentence(band.name) }),
      ]),
      shape.scale.knee !== undefined &&
        s("path", { class: "story-knee", d: `M${shape.scale.knee} ${BAND_Y - 2} v${BAND_H + 4}` }),
      ...shape.events.map(({ x, row, name, t }) =>
        s(
          "line",
          { class: "story-tick", x1: x, x2: x, y1: BAND_END, y2: row < 0 ? BAND_END + 6 : WORD_Y[row] - 10 },
          s("title", { text: `${name}, ${tClock(t - (told.zero ?? 0))}` }),
        ),
      ),
      ...shape.events
        .filter(({ row }) => row >= 0)
        .map(({ left, row, name }) => s("text", { class: "story-word", x: left + 2, y: WORD_Y[row], text: name })),
      ...shape.flags.map(({ x, at, severity }) =>
        s("path", { class: "story-pole", "data-tone": severity, d: `M${at + 13} 25 L${x} ${BAND_END}` }),
      ),
      playhead,
    );
    for (const child of [...drawing.childNodes]) if (child.nodeType !== 1) child.remove();
    flags.replaceChildren(...shape.flags.map((flag) => flagOf(flag, told, look)));
  }

  return {
    update(view) {
      now = view;
      const { replay } = view.page;
      const open = Boolean(replay ?? view.moment("lift_off"));
      setHidden(el.parentElement, !open);
      if (!open || box.width === 0) return;
      const version = replay ? view.store.version : Math.floor(view.cursor.rx / LIVE_S);
      if (moved(view.store, version, box.width)) {
        if (replay) chosen = undefined;
        draw(now);
        list(now, cards, none, look);
      }
      const x = scale.x(view.cursor.t).toFixed(1);
      setAttr(playhead, "x1", x);
      setAttr(playhead, "x2", x);
      const focus = replay?.focus?.key ?? chosen;
      for (const node of [...cards.children, ...flags.children])
        setAttr(node, "data-chosen", node.dataset.key === focus ? "yes" : undefined);
      const entry = focus && view.store.journal.state("finding", focus);
      setText(advice, entry ? withSigns(entry.body.advice) : "");
      setHidden(advice, !entry);
    },
  };
}

function list(view, cards, none, look) {
  const zero = view.store.journal.state("moment", "lift_off")?.body?.t;
  const found = findingsOf(view, true);
  setHidden(none, found.length > 0);
  setText(
    none,
    zero === undefined
      ? "No finding. Most of it is judged after lift-off, and no lift-off was seen here."
      : "No finding. That is what the rules saw, and no more.",
  );
  cards.replaceChildren(...found.map((entry, i) => card(entry, i, zero, look)));
}

function flagOf({ key, number, at, severity, t }, told, look) {
  const label = `Finding ${number}, ${WORDS[severity] ?? "Note"}, ${tClock(t - (told.zero ?? 0))}: show it`;
  const flag = h("button", {
    type: "button",
    class: "story-flag",
    "data-tone": severity,
    "data-key": key,
    "aria-label": label,
    title: label,
    text: String(number),
    on: { click: () => look(key, t) },
  });
  flag.style.left = `${at}px`;
  return flag;
}

function card(entry, i, zero, look) {
  const when = zero === undefined ? `${momentOf(entry).toFixed(1)} s` : tClock(momentOf(entry) - zero);
  const word = WORDS[entry.severity] ?? "Note";
  return h(
    "li",
    { class: "finding", "data-tone": entry.severity, "data-key": entry.key },
    h(
      "button",
      {
        type: "button",
        class: "finding-go",
        testid: `finding-${entry.key}`,
        on: { click: () => look(entry.key, momentOf(entry)) },
      },
      h("span", { class: "finding-head" }, `${i + 1}  ${word}`, h("span", { class: "finding-when", text: when })),
      h("span", { class: "finding-text", text: sentence(withSigns(entry.text)) }),
    ),
  );
}
