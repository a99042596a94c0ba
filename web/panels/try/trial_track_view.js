// How far a running trial is: every step moves it, every run has a place of its own.

import { h, s, setAttr, setHidden, setText, syncList } from "../../kit/dom.js";
import { shareDone, trackCells } from "../../pictures/trial_track.js";

const WIDTH = 300;
const HEIGHT = 22;

export function TrialTrack() {
  const cells = s("g", {});
  const picture = s("svg", { class: "track-picture", viewBox: `0 0 ${WIDTH} ${HEIGHT}`, "aria-hidden": "true" }, cells);
  const step = h("p", { class: "track-step", testid: "trial-step" });
  const bar = h(
    "div",
    { role: "progressbar", "aria-label": "Steps done", "aria-valuemin": "0", testid: "trial-track" },
    picture,
  );
  const el = h("div", { class: "trial-track", hidden: true }, step, bar);
  return {
    el,
    /** @param {object|undefined} progress of a trial that runs */
    update(progress) {
      setHidden(el, !progress);
      if (!progress) return;
      const { words } = shareDone(progress);
      setText(step, words);
      setAttr(bar, "aria-valuemax", progress.steps ?? progress.runs);
      setAttr(bar, "aria-valuenow", progress.steps ? progress.step_number : progress.passed + progress.failed);
      setAttr(bar, "aria-valuetext", words);
      syncList(cells, trackCells(progress), ({ from }) => String(from), makeCell, drawCell);
    },
  };
}

function makeCell() {
  const all = s("rect", { class: "track-cell", y: 1, height: HEIGHT - 2 });
  const filled = s("rect", { class: "track-filled", y: 1, height: HEIGHT - 2 });
  return Object.assign(s("g", {}, all, filled), { all, filled });
}

function drawCell(node, { from, to, filled, bad }) {
  const width = Math.max(1, (to - from) * WIDTH - 1);
  for (const part of [node.all, node.filled]) setAttr(part, "x", (from * WIDTH).toFixed(2));
  setAttr(node.all, "width", width.toFixed(2));
  setAttr(node.filled, "width", (width * filled).toFixed(2));
  setAttr(node.filled, "data-tone", bad ? "danger" : "none");
}
