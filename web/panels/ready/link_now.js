// The link as it is now: what was lost in the last ten seconds, what comes, and when something was heard last.

import { h, setHidden, setText, setTone } from "../../kit/dom.js";
import { age, fixed, valueWithUnit } from "../../kit/format.js";
import { LOSS_CAUTION, LOSS_WARNING } from "./link_limits.js";

const OLD_S = 3;

export function LinkNow(el) {
  const loss = h("b", { class: "big-figure", testid: "link-loss" });
  const heard = h("b", { class: "big-figure", testid: "link-heard" });
  const figures = h(
    "div",
    { class: "big-figures" },
    h("p", {}, loss, h("span", { text: "lost in 10 s" })),
    h("p", {}, heard, h("span", { text: "since the last packet" })),
  );
  const words = h("p", { class: "facts" });
  el.append(figures, words);
  return {
    update(view) {
      const last = view.store.lastHeard(view.rxLimit);
      const since = last === undefined ? Infinity : view.cursor.rx - last;
      const lost = view.sample("ground.link_loss");
      const isKnown = Number.isFinite(lost?.value) && !view.silence && since < OLD_S;
      setText(heard, Number.isFinite(since) ? age(since) : "never");
      setText(loss, isKnown ? `${fixed(lost.value * 100, 1)} %` : "unknown");
      const tone = lost?.value > LOSS_WARNING ? "warning" : lost?.value > LOSS_CAUTION ? "caution" : "none";
      setTone(figures, isKnown ? tone : "stale");
      const levels = [
        ["downlink.level", "down"],
        ["uplink.level", "up"],
      ]
        .map(([role, word]) => [view.sample(role), word])
        .filter(([sample]) => sample && !sample.stale && sample.value !== undefined)
        .map(([sample, word]) => `${word} ${valueWithUnit(sample.column, sample.value)}`);
      setText(words, levels.length ? `Level ${levels.join(", ")}` : "");
      setHidden(words, !levels.length);
    },
  };
}
