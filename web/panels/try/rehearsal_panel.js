// How each firmware build has done in rehearsals on this computer: passed of all, and a mark for every run, by which
// its picture is opened. Nothing where there was none.

import { h, s, setAttr, setHidden, syncList } from "../../kit/dom.js";
import { courseWords, isSame, MARK_BOX, markShape, markWords, namedBuild } from "../../pictures/rehearsal_course.js";

const MOST = 6;
const NOT_FLOWN = "What passes on the bench has not flown. Choose a run to see its picture.";
const STEPS = { ArrowLeft: -1, ArrowUp: -1, ArrowRight: 1, ArrowDown: 1, Home: -Infinity, End: Infinity };

function markButton(build, mark, acts) {
  const picture = s(
    "svg",
    { viewBox: MARK_BOX, "aria-hidden": "true" },
    s("path", { class: `course-mark -${mark.outcome}`, d: markShape(mark.outcome) }),
  );
  const words = markWords(mark);
  const look = { type: "button", class: "course-run", title: words, "aria-label": words, testid: "rehearsal-run" };
  const node = h("button", { ...look, on: { click: () => acts.chooseRehearsal(build, mark) } }, picture);
  return Object.assign(node, { mark });
}

// One stop of the Tab key; arrows go from run to run. The replay's own arrows must not hear them.
function onArrow(event) {
  const step = STEPS[event.key];
  const buttons = [...event.currentTarget.children];
  const at = buttons.indexOf(event.target);
  if (step === undefined || at < 0) return;
  event.preventDefault();
  event.stopPropagation();
  buttons[Math.max(0, Math.min(buttons.length - 1, at + step))].focus();
}

function make(one, acts) {
  const look = { class: "course", role: "group", "aria-label": `Runs of ${namedBuild(one)}, oldest first` };
  const course = h(
    "div",
    { ...look, on: { keydown: onArrow } },
    ...one.course.map((mark) => markButton(one, mark, acts)),
  );
  const node = h(
    "li",
    { class: "rehearsed" },
    h("b", { text: namedBuild(one) }),
    h("span", { text: courseWords(one) }),
    one.worst && h("span", { class: "rehearsed-worst", text: `Most often wrong: ${one.worst}` }),
    course,
  );
  setAttr(node, "data-tone", one.passed < one.runs ? "caution" : "none");
  return Object.assign(node, { course });
}

function showChosen({ course }, chosen, before) {
  const buttons = [...course.children];
  const stop = buttons.find(({ mark }) => isSame(mark, chosen)) ?? buttons.at(-1);
  for (const button of buttons) {
    setAttr(button, "aria-pressed", String(isSame(button.mark, chosen)));
    setAttr(button, "tabindex", button === stop ? "0" : "-1");
    if (before && !chosen && isSame(button.mark, before)) button.focus(); // what was closed held the focus
  }
}

export function RehearsalPanel(el, acts) {
  const list = h("ol", { class: "rehearsed-list", testid: "rehearsals" });
  el.append(list, h("p", { class: "absent", text: NOT_FLOWN }));
  let before;
  return {
    update(view) {
      const { rehearsals, now } = view.page;
      acts.lookAtRehearsals(now);
      const chosen = rehearsals.chosen?.mark;
      setHidden(el.parentElement, rehearsals.builds.length === 0);
      syncList(
        list,
        rehearsals.builds.slice(0, MOST),
        (one) => JSON.stringify(one),
        (one) => make(one, acts),
        (node) => showChosen(node, chosen, before),
      );
      before = chosen;
    },
  };
}
