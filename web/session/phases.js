// Whether the vehicle's own word for its phase contradicts what the ground sees. Pure; how long it may do so is the
// station's to judge.

const ON_PAD = ["startup", "ground test", "pad"];
const KNOWN = [...ON_PAD, "boost", "coast", "descent", "landed"];

/** A word that nobody knows contradicts nothing; switched on anew where it landed, a vehicle has landed. */
export function phasesDiffer(ground, claim) {
  if (!KNOWN.includes(claim)) return false;
  if (ON_PAD.includes(claim)) return ground !== "pad" && ground !== "landed";
  return claim !== ground;
}
