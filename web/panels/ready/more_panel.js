// What the flight is for, and what is looked at when something does not stand: units, servo cable, rails, link and
// recorder in full. Folded.

import { h, setAttr, setHidden } from "../../kit/dom.js";
import { GoalsCard } from "./goals_card.js";
import { ImuPanel } from "./imu_panel.js";
import { LinkPanel, RecorderLine } from "./link_panel.js";
import { PowerPanel } from "./power_panel.js";
import { ServoCablePanel } from "./servo_cable_panel.js";

const PARTS = [
  ["goals-card", "What this flight is for", GoalsCard],
  ["imu", "Inertial units", ImuPanel],
  ["power", "Power", PowerPanel],
  ["servo-cable", "Servo cable", ServoCablePanel],
  ["link-all", "Link", LinkPanel],
  ["recorder", "Recorder", RecorderLine],
];

/** @returns {{turn: Element, all: Element, update: (view: object) => void}} the button, what it unfolds, and drawing */
export function More(acts) {
  let open = false;
  const turn = h("button", {
    type: "button",
    class: "act more-turn",
    testid: "ready-more",
    text: "More",
    "aria-label": "More: what this flight is for, inertial units, servo cable, rails, link and recorder in full",
    "aria-expanded": "false",
    on: {
      click: () => {
        open = !open;
        acts.changed();
      },
    },
  });
  const parts = PARTS.map(([name, title, build]) => {
    const body = h("div", { class: "panel-body" });
    const section = h("section", { class: name, "aria-label": title }, h("h3", { text: title }), body);
    return { section, panel: build(body, acts) };
  });
  const all = h("div", { class: "more-parts", hidden: true }, ...parts.map(({ section }) => section));
  return {
    turn,
    all,
    update(view) {
      setHidden(all, !open);
      setAttr(turn, "aria-expanded", String(open));
      if (open) for (const { panel } of parts) panel.update(view);
    },
  };
}
