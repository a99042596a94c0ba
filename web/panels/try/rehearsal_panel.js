// How each firmware build has done in rehearsals on this computer; nothing where there was none.

import { h, s, setAttr, setHidden, setText, syncList } from "../../kit/dom.js";
import { courseShapes, courseSize, courseWords } from "../../pictures/rehearsal_course.js";

const MOST = 6;
const NOT_FLOWN = "What passes on the bench has not flown.";

const named = ({ firmware, build }) => [firmware || "says nothing", build].filter(Boolean).join(" \u00b7 ");

function make(one) {
  const [width, height] = courseSize(one.course);
  const marks = courseShapes(one.course).map(({ word, d }) => s("path", { class: `course-mark -${word}`, d }));
  const words = courseWords(one);
  const look = { class: "course", viewBox: `0 0 ${width} ${height}`, width: 1.4 * width, role: "img" };
  return h(
    "li",
    { class: "rehearsed" },
    h("b", { text: named(one) }),
    s("svg", { ...look, "aria-label": `Runs, oldest first: ${one.course.join(", ")}` }, ...marks),
    h("span", { text: words }),
    one.worst && h("span", { class: "rehearsed-worst", text: `Most often wrong: ${one.worst}` }),
  );
}

export function RehearsalPanel(el) {
  const list = h("ol", { class: "rehearsed-list", testid: "rehearsals" });
  const note = h("p", { class: "absent", text: NOT_FLOWN });
  el.append(list, note);
  return {
    update(view) {
      const builds = view.page.trials?.builds ?? [];
      setHidden(el.parentElement, builds.length === 0);
      syncList(
        list,
        builds.slice(0, MOST),
        (one) => JSON.stringify(one),
        make,
        (node, one) => setAttr(node, "data-tone", one.passed < one.runs ? "caution" : "none"),
      );
      setText(note, NOT_FLOWN);
    },
  };
}
