// The place in degrees: to copy, and as a code that hands it to a phone's own map.

import { h, setAttr, setHidden, setText } from "../../kit/dom.js";
import { recoveryOf } from "../../pictures/plan_data.js";
import { decimalText, moved, originOf, spokenText } from "./geodesy.js";
import { AT_PAD_M, northWords } from "./walk.js";
import { bestPlace } from "./whereabouts.js";

const CODE_AT_MOST_MS = 2000; // a prediction moves; its code is asked for this seldom

/** {latitude, longitude} of the headline's place; the station's own degrees once it lies. Undefined without. */
export function degreesOf(view) {
  const best = bestPlace(view);
  const figure = recoveryOf(view);
  if (!best) return undefined;
  if (best.basis === "landed" && Number.isFinite(figure.last_latitude_deg))
    return { latitude: figure.last_latitude_deg, longitude: figure.last_longitude_deg };
  const origin = originOf(view);
  return origin && moved(origin, best);
}

const OF = { landed: "Where it lies", forecast: "Where it is predicted to land", last: "The last point heard" };

export function PlacePanel(el, acts) {
  const what = h("p", { class: "label", testid: "place-what" });
  const spoken = h("p", { class: "place-spoken", testid: "place-spoken" });
  const decimal = h("p", { class: "place-decimal", testid: "place-decimal" });
  const copy = h("button", {
    type: "button",
    class: "act",
    text: "Copy",
    testid: "place-copy",
    on: { click: copyPlace },
  });
  const show = h("button", {
    type: "button",
    class: "act",
    text: "Code for a phone",
    "aria-expanded": "false",
    testid: "place-code-button",
    on: { click: toggleCode },
  });
  const said = h("p", { class: "quiet-line", role: "status", testid: "place-said" });
  const code = h("img", { class: "place-code", width: "232", height: "232", hidden: true, testid: "place-code" });
  const north = h("p", { class: "quiet-line", testid: "place-north" });
  const none = h("p", { class: "absent" });
  const known = h(
    "div",
    { class: "place-known" },
    what,
    spoken,
    decimal,
    h("p", { class: "place-acts" }, copy, show),
    said,
    code,
  );
  el.append(known, none, north);
  let open = false;
  let opened = false; // just now, by its button
  let asked = { at: -Infinity, source: "" };

  async function copyPlace() {
    const text = decimal.textContent;
    try {
      await navigator.clipboard.writeText(text);
      setText(said, "Copied.");
    } catch {
      // Without https there is no clipboard for a page: what is selected can be copied by the phone's own menu.
      getSelection().selectAllChildren(decimal);
      setText(said, "Selected: copy it with this device's own menu.");
    }
  }
  function toggleCode() {
    open = !open;
    opened = open;
    setAttr(show, "aria-expanded", String(open));
    setText(show, open ? "Hide the code" : "Code for a phone");
    acts.changed();
  }

  return {
    update(view) {
      const best = bestPlace(view);
      const degrees = degreesOf(view);
      setHidden(known, !degrees);
      setHidden(none, Boolean(degrees));
      setText(none, best ? "Neither the site's sheet nor the vehicle tells degrees." : "No position heard yet.");
      setText(
        north,
        northWords(view.store.dictionary.site?.declination_deg, best?.distance >= AT_PAD_M ? best.bearing : NaN),
      );
      if (!degrees) return;
      setText(what, OF[best.basis]);
      setText(spoken, spokenText(degrees));
      // What is being selected is not written anew under a thumb.
      if (decimal.textContent !== decimalText(degrees)) setText(decimal, decimalText(degrees));
      setHidden(code, !open);
      if (opened) code.scrollIntoView({ block: "nearest" });
      opened = false;
      const { now } = view.page;
      const source = `/api/place.svg?latitude=${degrees.latitude.toFixed(7)}&longitude=${degrees.longitude.toFixed(7)}`;
      if (!open || source === asked.source || now - asked.at < CODE_AT_MOST_MS) return;
      asked = { at: now, source };
      setAttr(code, "src", source);
      setAttr(code, "alt", `Code of ${decimalText(degrees)} for a phone's own map`);
    },
  };
}
