// The ground from above: the flight, where it lies, and the way there as far as one may be shown.

import { boxOf, h, setHidden, setText, watcher } from "../../kit/dom.js";
import { planDataOf, tellsPlace, trackOf } from "../../pictures/plan_data.js";
import { atMost, DRAW_MS, PlanDrawing } from "../../pictures/plan_drawing.js";
import { wayWords, windWords } from "../../pictures/plan_words.js";
import { phoneOf } from "./phone_place.js";
import { personOf } from "./walk.js";

export function PlanPanel(el, acts) {
  const phone = phoneOf(acts);
  const place = h("div", { class: "find-plan" });
  const plan = PlanDrawing(place);
  const way = h("p", { class: "find-way", testid: "plan-way" });
  const notes = h("p", { class: "quiet-line", testid: "plan-notes" });
  const none = h("p", { class: "absent", text: "No plan: nothing in this session tells where the vehicle was." });
  const box = boxOf(place, acts.changed);
  el.append(place, way, notes, none);
  const moved = watcher();

  const draw = atMost(DRAW_MS, (view) => {
    const track = trackOf(view);
    const data = planDataOf(view, personOf(view, phone, Date.now()), track);
    plan.draw(data, box);
    const words = wayWords(data);
    setHidden(way, !words);
    setText(way, words);
    setText(notes, [track && `By ${track.source}; north is up`, windWords(data.wind)].filter(Boolean).join(". "));
  });

  return {
    update(view) {
      const able = tellsPlace(view);
      for (const node of [place, notes]) setHidden(node, !able);
      setHidden(none, able);
      if (!able) setHidden(way, true);
      const { width, height } = box;
      if (able && moved(view.store, view.store.version, view.cursor.rx, phone.fix, width, height)) draw(view);
    },
  };
}
