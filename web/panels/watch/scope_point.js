// Where a nose direction lies on the tilt scope, and its two rings. Pure.

export const EDGE_DEG = 60;
/** From the vertical, by the safety code. */
export const LIMIT_DEG = 30;

/** Place of a nose direction on a scope of the given radius; beyond the edge it is clamped to the edge. */
export function scopePoint(tiltDeg, azimuthRad, radius) {
  const r = (Math.min(EDGE_DEG, tiltDeg) / EDGE_DEG) * radius;
  return { x: r * Math.sin(azimuthRad), y: -r * Math.cos(azimuthRad), clamped: tiltDeg > EDGE_DEG };
}

/**
 * What a lean says: past the safety code's limit it counts from lift-off to the top only. Before it may lie on a bench;
 * after, every vehicle hangs or lies. @returns {"past"|"look"|"after"|"within"}
 */
export function leanOf(tiltDeg, { flying, pastTop, landed }) {
  if (pastTop || landed) return "after";
  if (!(tiltDeg > LIMIT_DEG)) return "within";
  return flying ? "past" : "look";
}
