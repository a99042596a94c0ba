// Strips that fit beside the pictures: how it leans, how it turns, what the fins do about it, what force it feels.

import { h } from "../../kit/dom.js";
import { flightStrips, inFlightStrips } from "../../strips/catalog.js";
import { bound } from "../../strips/series.js";
import { StripStack } from "../../strips/strip_stack.js";

const SHORT_OF = 5; // s before lift-off
const AFTER_S = 5; // s after landing
const WAITING_S = 30;

/** While it flies the whole flight, before that the last half minute. */
function windowOf(view) {
  const lifted = view.moment("lift_off")?.t;
  const { t } = view.cursor;
  if (lifted === undefined) return [t - WAITING_S, t];
  const end = Math.min(t, (view.moment("landing")?.t ?? t) + AFTER_S);
  return [Math.min(lifted - SHORT_OF, t - 1), Math.max(end, lifted + 1)];
}

/** Only what such a stack has room for; a vehicle that tells none of them is shown height and climb instead. */
function stripsOf(view) {
  const { roles } = view.store;
  const chosen = inFlightStrips(roles).filter(({ series }) => series.some((one) => bound(view, one)));
  return chosen.length ? chosen : flightStrips(roles).slice(0, 2);
}

export function WatchStrips(el, acts) {
  const stack = h("div", { class: "strips-stack" });
  el.append(stack);
  return StripStack(stack, { changed: acts.changed, strips: stripsOf, window: windowOf, sync: "watch" });
}
