// The vehicle seen from its tail, as numbers to draw: each fin edge-on, its trailing edge turned to where it is and,
// as a
// ghost, to where it was asked to be. Pure.

import { fixed } from "../kit/format.js";

const DEG = 180 / Math.PI;
export const BOX = { width: 260, height: 236 };
const CENTER = { x: BOX.width / 2, y: BOX.height / 2 };
export const BODY_R = 30;
const TIP_R = 78;
const CHORD = 52;
/** Deflections are small: they are drawn at twice their sine, and the panel says so. */
const DRAWN = 2;
const NAME_R = 97;
/** Measured and asked farther apart than this count as apart. */
export const APART_DEG = 2;

/** @typedef {{name: string, asked: number|undefined, measured: number|undefined, stale: boolean}} Fin angles in rad */

const known = (value) => Number.isFinite(value);

/** Where fin i of n stands around the body, rad clockwise from straight up; four of them crosswise between the axes. */
const around = (i, n) => ((i + (n === 4 ? 0.5 : 0)) * 2 * Math.PI) / n;

/** The part of the box that is needed: four fins between the axes take less height than one that stands upright. */
export function viewOf(n) {
  const cut = n === 4 ? 30 : 0;
  return `0 ${cut} ${BOX.width} ${BOX.height - 2 * cut}`;
}

/** A point `along` the fin's span and `beside` it, clockwise being positive. */
function place(angle, along, beside) {
  const [up, right] = [Math.cos(angle), Math.sin(angle)];
  return [CENTER.x + along * right + beside * up, CENTER.y - along * up + beside * right];
}

function blade(angle, deflection) {
  const beside = CHORD * Math.sin(deflection * DRAWN);
  return [
    [BODY_R, 0],
    [TIP_R, 0],
    [TIP_R - 6, beside],
    [BODY_R, beside],
  ].map(([along, across]) => place(angle, along, across));
}

/**
 * @param {Fin[]} fins
 * @returns {{name: string, hinge: number[][], is: number[][]|null, asked: number[][]|null, apart: boolean,
 *   label: {x: number, y: number}, words: string}[]} corners in the box; null where it is not known now
 */
export function tailShapes(fins) {
  return fins.map((fin, i) => {
    const angle = around(i, fins.length);
    const heard = !fin.stale;
    const isKnown = heard && known(fin.measured);
    const isAsked = heard && known(fin.asked);
    const [x, y] = place(angle, NAME_R, 0);
    return {
      name: fin.name,
      hinge: [place(angle, BODY_R, 0), place(angle, TIP_R, 0)],
      is: isKnown ? blade(angle, fin.measured) : null,
      asked: isAsked ? blade(angle, fin.asked) : null,
      apart: isKnown && isAsked && Math.abs(fin.asked - fin.measured) * DEG > APART_DEG,
      label: { x, y },
      words: isKnown ? `${fixed(fin.measured * DEG, 1)}\u00b0` : "unknown",
    };
  });
}

/** The picture as a sentence. */
export function tailWords(fins) {
  const say = ({ name, asked, measured, stale }) => {
    if (stale || !known(measured)) return `fin ${name} unknown`;
    const to = known(asked) ? `, asked ${fixed(asked * DEG, 1)}` : "";
    return `fin ${name} at ${fixed(measured * DEG, 1)}${to}`;
  };
  return `Seen from the tail, degrees: ${fins.map(say).join("; ")}`;
}
