// The body in space: the quaternion's turn, the projection's handedness, faces from far to near.

import assert from "node:assert/strict";
import { test } from "node:test";
import { attitudeShapes, attitudeWords, seen, turned } from "../../web/pictures/attitude.js";

const DEG = Math.PI / 180;
/** A turn about a world axis. */
const about = ([x, y, z], degrees) => {
  const half = (degrees * DEG) / 2;
  return [Math.cos(half), x * Math.sin(half), y * Math.sin(half), z * Math.sin(half)];
};
const close = (vector, other) =>
  vector.forEach((one, i) => {
    assert.ok(Math.abs(one - other[i]) < 1e-9, `${vector}`);
  });

test("a quaternion turns the body into the world, of any length", () => {
  close(turned([1, 0, 0, 0], [0, 0, 1]), [0, 0, 1]);
  close(turned(about([0, 1, 0], 90), [0, 0, 1]), [1, 0, 0]); // about north by the right hand: the nose goes east
  close(
    turned(
      about([1, 0, 0], -90).map((one) => one * 3),
      [0, 0, 1],
    ),
    [0, 1, 0],
  );
  assert.equal(turned([NaN, 0, 0, 0], [0, 0, 1]), null);
  assert.equal(turned([0, 0, 0, 0], [0, 0, 1]), null);
});

test("seen from the south-south-east, north lies behind, east to the right and up is up", () => {
  assert.ok(seen([1, 0, 0]).x > 0.8);
  assert.ok(seen([0, 1, 0]).near < 0 && seen([0, 1, 0]).y > 0);
  assert.ok(seen([0, 0, 1]).y > 0.9 && Math.abs(seen([0, 0, 1]).x) < 1e-9);
  const [a, b] = [seen([1, 2, 3]), seen([2, -1, 0.5])];
  const product = a.x * b.x + a.y * b.y + a.near * b.near;
  assert.ok(Math.abs(product - (2 - 2 + 1.5)) < 1e-9); // a turn and nothing else
});

test("faces come from far to near, the nose's axis ends where the nose is", () => {
  const { faces, axes, letters } = attitudeShapes(about([0, 1, 0], 60), 310);
  for (let i = 1; i < faces.length; i++) assert.ok(faces[i].near >= faces[i - 1].near);
  const nose = axes.find(({ name }) => name === "z");
  assert.ok(nose.x > 60, "60 degrees to the east lies to the right");
  assert.deepEqual(
    letters.map(({ text }) => text),
    ["N", "E", "S", "W"],
  );
  assert.equal(attitudeShapes([NaN, 0, 0, 0], 310), null);
});

test("the words say the same", () => {
  assert.equal(attitudeWords(about([0, 1, 0], 60)), "Nose 60\u00b0 from vertical to E; fin 1 toward E");
  assert.equal(attitudeWords([1, 0, 0, 0]), "Nose 0\u00b0 from vertical; fin 1 toward E");
  assert.equal(attitudeWords([NaN, 0, 0, 0]), "Attitude not known.");
});
