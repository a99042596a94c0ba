// Which strips a finding rests on.

import { flightStrips } from "../../strips/catalog.js";

// Six strips in the lower half of a laptop's window would be lines. There stand those that a finding rests on.
const RESTS_ON = {
  bad_number: ["Tilt", "Rates", "Fins"],
  control_untested: ["Height", "Tilt", "Fins"],
  deployment_time: ["Height", "Speed", "Acceleration"],
  fast_descent: ["Height", "Speed", "Acceleration"],
  hard_landing: ["Height", "Speed", "Acceleration"],
  pitched_over: ["Tilt", "Speed", "Acceleration"],
  roll_reversed: ["Rates", "Fins", "Tilt"],
};
const USUAL = ["Height", "Tilt", "Rates"];
export const isRoomy = () => innerHeight >= 900 || innerWidth <= 900;

/** The strips that stand where there is little room; all of them where there is more. */
export function restedOn(view) {
  const strips = flightStrips(view.store.roles);
  if (isRoomy()) return strips;
  const wanted = RESTS_ON[view.page.replay?.focus?.key] ?? USUAL;
  const chosen = strips.filter(({ title }) => wanted.includes(title));
  return chosen.length ? chosen : strips.slice(0, USUAL.length);
}
