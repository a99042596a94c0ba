// What waiting on the pad costs: minutes until only the flight's reserve is left, at a measured current. Pure.

import { COULOMB_PER_MAH } from "../../kit/format.js";

const S_PER_MIN = 60;

/**
 * Charge that may still be used on the pad, in coulombs: capacity less reserve less what was drawn since switch-on.
 * Undefined when the vehicle sheet does not give capacity and reserve, or the charge used is not heard. It is assumed
 * that the battery was full at switch-on; a meter decides.
 */
export function chargeToSpend(sheet, chargeUsedC) {
  const { battery_capacity_mah: capacity, flight_reserve_mah: reserve } = sheet ?? {};
  if (!(capacity > 0) || !(reserve >= 0) || !Number.isFinite(chargeUsedC)) return undefined;
  return (capacity - reserve) * COULOMB_PER_MAH - chargeUsedC;
}

/** Minutes a charge lasts at a current; 0 when nothing is left, undefined without a current. */
export function minutes(chargeC, currentA) {
  if (chargeC === undefined || !(currentA > 0)) return undefined;
  return Math.max(0, chargeC) / currentA / S_PER_MIN;
}

/**
 * Pad minutes as things are, without the given current, and the difference that current costs.
 * @returns {{now:number, without:number, cost:number}|undefined}
 */
export function padCost(chargeC, totalA, partA) {
  const now = minutes(chargeC, totalA);
  const without = minutes(chargeC, totalA - partA);
  return now === undefined || without === undefined || !(partA > 0) ? undefined : { now, without, cost: without - now };
}
