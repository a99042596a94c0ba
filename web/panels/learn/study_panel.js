// What a flight is asked on demand: the questions, and below the answer: sentences, what to change, numbers, pictures.

import { builder, h, s, setHidden, setText } from "../../kit/dom.js";
import { withSigns } from "../../kit/format.js";
import { unitsName } from "../../kit/units.js";
import { STUDY_BOX, studyInterval, studyNumber, studyShape } from "../../pictures/study_picture.js";

const label = (x, y, anchor, text) => s("text", { class: "curve-text", x, y, "text-anchor": anchor, text });

function drawing(picture) {
  const { width, height, left, right, base } = STUDY_BOX;
  const shape = studyShape(picture);
  return s(
    "svg",
    {
      viewBox: `0 0 ${width} ${height}`,
      role: "img",
      "aria-label": `${picture.title}: ${picture.y_label} over ${picture.x_label}`,
    },
    ...shape.grid.map(({ y }) => s("line", { class: "curve-grid", x1: left, x2: width - right, y1: y, y2: y })),
    ...shape.grid.map(({ y, text }) => label(left - 5, y + 4, "end", text)),
    ...shape.ticks.map(({ x, text }) => label(x, base + 16, "middle", text)),
    label(width - right, height - 6, "end", picture.x_label),
    s("line", { class: "study-zero", x1: left, x2: width - right, y1: shape.zero, y2: shape.zero }),
    ...shape.lines.map(({ band }, i) => band && s("path", { class: `study-band -c${i % 4}`, d: band })),
    ...shape.lines.map(({ path }, i) => s("path", { class: `study-line -c${i % 4}`, d: path })),
  );
}

function figure(picture) {
  const key = picture.lines.map(({ name }, i) =>
    h(
      "span",
      {},
      s(
        "svg",
        { class: "run-key", viewBox: "0 0 34 10", "aria-hidden": "true" },
        s("path", { class: `study-line -c${i % 4}`, d: "M1 5 H33" }),
      ),
      name,
    ),
  );
  return h(
    "figure",
    { class: "run-curve", testid: "study-picture" },
    h("figcaption", {}, h("b", { text: `${picture.title}, ${picture.y_label}` })),
    drawing(picture),
    h("p", { class: "curve-legend run-legend" }, ...key),
  );
}

function numbers(list) {
  const head = ["", "value", "95 % interval", "unit", ""].map((text, i) =>
    h("th", { scope: "col", class: i === 1 ? "num" : "", text }),
  );
  const row = (one) =>
    h(
      "tr",
      {},
      h("th", { scope: "row", text: one.name }),
      h("td", { class: "num", text: withSigns(studyNumber(one.value)) }),
      h("td", { text: withSigns(studyInterval(one)) }),
      h("td", { text: one.unit }),
      h("td", { class: "study-note", text: withSigns(one.note) }),
    );
  return h(
    "div",
    { class: "study-table" },
    h(
      "table",
      { class: "grid", testid: "study-numbers" },
      h("thead", {}, h("tr", {}, ...head)),
      h("tbody", {}, ...list.map(row)),
    ),
  );
}

function answer({ study }) {
  const [first, ...more] = study.said;
  return [
    h("h2", { text: study.title }),
    unitsName() !== "metric" && h("p", { class: "facts", text: "All of this is in metric units." }),
    ...study.cautions.map((text) => h("p", { class: "study-caution", "data-tone": "caution", text: withSigns(text) })),
    h("p", { class: "study-first", testid: "study-first", text: withSigns(first) }),
    ...more.map((text) => h("p", { class: "study-said", text: withSigns(text) })),
    study.advice.length > 0 && h("h3", { text: "What to change" }),
    study.advice.length > 0 &&
      h(
        "ul",
        { class: "study-advice", "aria-label": "What to change" },
        ...study.advice.map((text) => h("li", { text: withSigns(text) })),
      ),
    study.numbers.length > 0 && numbers(study.numbers),
    study.pictures.length > 0 && h("div", { class: "run-curves study-pictures" }, ...study.pictures.map(figure)),
  ].filter(Boolean);
}

const BUSY = "Working it out from the recording; this can take a minute \u2026";

/** @param {Element} el @param {{lookAtStudies: (session: string) => void, askStudy: (subject: string) => void}} acts */
export function StudyPanel(el, acts) {
  const none = h("p", { class: "absent", text: "Open a recorded flight to ask why it flew as it did." });
  const list = h("div", { class: "study-questions", role: "group", "aria-label": "Questions" });
  const said = h("p", { class: "absent", role: "status", testid: "study-said" });
  const body = h("div", { class: "study-answer", "data-si": "", testid: "study-answer" });
  el.append(none, list, said, body);
  const [onceList, onceBody] = [builder(), builder()];
  return {
    update(view) {
      const { replay, studies } = view.page;
      const tab = el.closest(".place")?.dataset.tab;
      setHidden(none, Boolean(replay));
      setHidden(list, !replay);
      if (replay && tab === "why") acts.lookAtStudies(replay.name);
      const mine = replay && studies.session === replay.name ? studies : { list: studies.list, told: {}, asked: "" };
      const questions = mine.list ?? [];
      onceList(JSON.stringify([questions, mine.asked]), () =>
        list.replaceChildren(
          ...questions.map(({ name, question }) =>
            h("button", {
              type: "button",
              class: "act",
              text: question,
              testid: `study-${name}`,
              "aria-pressed": String(name === mine.asked),
              on: { click: () => acts.askStudy(name) },
            }),
          ),
        ),
      );
      const told = mine.told[mine.asked];
      setText(said, told?.problem ?? (told?.busy ? BUSY : ""));
      setHidden(said, !said.textContent);
      onceBody(told?.study ? `${mine.session} ${mine.asked}` : null, () =>
        body.replaceChildren(...(told?.study ? answer(told) : [])),
      );
    },
  };
}
