// The way down in words, for the figures and for where one looks for it: stage by stage, each with its doubt. Pure.

import { fixed, lengthText, tClock } from "./format.js";
import { inUnit, shownUnit } from "./units.js";

const known = Number.isFinite;

/** "26.3 \u00b1 1.5 m/s" with a 95 % interval, or without a doubt where none is told. */
export function plusMinus(value, sigma, digits, unit) {
  const doubt = known(sigma) ? ` \u00b1 ${fixed(inUnit(unit, 1.96 * sigma), digits)}` : "";
  return `${fixed(inUnit(unit, value), digits)}${doubt} ${shownUnit(unit)}`;
}

/** "drogue 26.3 \u00b1 1.5 m/s from 2840 m, then main 11.3 \u00b1 0.7 m/s from 770 m"; undefined without stages. */
export function stagesText(figure) {
  const stages = figure?.stages ?? [];
  const words = stages.map(
    (stage) => `${stage.kind} ${plusMinus(stage.rate_m_s, stage.sigma_m_s, 1, "m/s")} from ${lengthText(stage.from_m)}`,
  );
  return words.length > 0 ? words.join(", then ") : undefined;
}

/** "11.3 \u00b1 1.6 m/s, T+02:56.3, 412 J"; undefined before it has landed. */
export function landingText(figure, zero) {
  if (!known(figure?.landing_m_s)) return undefined;
  const speed = plusMinus(figure.landing_m_s, figure.landing_sigma_m_s, 1, "m/s");
  const when = known(figure.landing_t) && known(zero) ? `, ${tClock(figure.landing_t - zero)}` : "";
  const energy = known(figure.energy_j) ? `, ${fixed(figure.energy_j, 0)} J` : "";
  return `${speed}${when}${energy}`;
}
