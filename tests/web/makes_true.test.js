import assert from "node:assert/strict";
import { test } from "node:test";

import { answers } from "../../web/desk/command_list.js";
import { byHand, fulfills, makesTrue, offered, presentChoice, spoken } from "../../web/desk/makes_true.js";

const counts = (name, max) => ({ name, min: 1, max, values: null });
const word = (...values) => ({ name: "on", min: 0, max: values.length - 1, values });
const equals = (role, operand, per = null) => ({ role, comparison: "equals", operand, within: 0, per });
const lock = (name, role, comparison, operand) => ({ name, title: name, role, comparison, operand, within: 0 });
const command = (name, hazard, args, effects, interlocks = []) => ({ name, hazard, args, effects, interlocks });

const ON_GROUND = lock("on_ground", "phase", "one_of", ["test", "pad"]);
const TEST = command(
  "test",
  "guarded",
  [word("leave", "enter")],
  [equals("phase", ["pad", "test"], "on")],
  [ON_GROUND],
);
const ARM = command("arm", "hazardous", [counts("n", 4)], [equals("motor[{n}].armed", 1)]);
const SAFE = command("safe", "routine", [counts("n", 4)], [equals("motor[{n}].armed", 0)]);
const POWER = command("power", "routine", [counts("n", 2), word("off", "on")], [equals("camera[{n}].powered", "{on}")]);
const ALL = { ...command("all", "routine", [], [equals("motor[*].armed", 0)]), safes_all: true };
const COMMANDS = [ALL, TEST, ARM, SAFE, POWER];

const found = (one, args = {}) => {
  const way = makesTrue(COMMANDS, one, args);
  return way && [way.command.name, way.args];
};

test("the command whose effect makes a condition true is found by roles and values, not by names", () => {
  assert.deepEqual(found(lock("x", "phase", "equals", "test")), ["test", { on: 1 }]);
  assert.deepEqual(found(lock("x", "phase", "one_of", ["pad"])), ["test", { on: 0 }]);
  assert.deepEqual(found(lock("x", "motor[{n}].armed", "equals", 1), { n: 3 }), ["arm", { n: 3 }]);
  assert.deepEqual(found(lock("x", "motor[{n}].armed", "at_most", 0), { n: 2 }), ["safe", { n: 2 }]);
  assert.deepEqual(found(lock("x", "camera[2].powered", "equals", 1)), ["power", { n: 2, on: 1 }]);
});

test("no command is offered that cannot do it", () => {
  assert.equal(found(ON_GROUND), undefined, "the only one that leads there needs the same condition");
  assert.equal(found(lock("x", "phase", "equals", "flight")), undefined);
  assert.equal(found(lock("x", "motor[{n}].armed", "equals", 1), { n: 5 }), undefined, "beyond its argument's range");
  assert.equal(found(lock("x", "motor[{n}].continuity", "equals", 1), { n: 1 }), undefined);
  assert.equal(found(lock("x", "ground.tilt", "at_most", 0.5)), undefined);
  assert.equal(found({ name: "another command" }), undefined, "the station's own line has no role");
  assert.match(byHand(lock("x", "ground.tilt", "at_most", 0.5)), /station measures this/);
  assert.match(byHand(lock("x", "motor[1].continuity", "equals", 1)), /somebody must see to it at the vehicle/);
});

test("of two that do it the less hazardous one is offered, and never Safe all by another name", () => {
  const also = command("disarm", "hazardous", [counts("n", 4)], [equals("motor[{n}].armed", 0)]);
  const one = lock("x", "motor[{n}].armed", "equals", 0);
  for (const list of [
    [also, SAFE],
    [SAFE, also],
  ])
    assert.equal(makesTrue(list, one, { n: 1 }).command, SAFE);
  assert.equal(makesTrue([ALL], one, { n: 1 }), undefined);
});

test("bounds are held as the station holds them", () => {
  assert.ok(fulfills({ comparison: "equals", operand: 1, within: 0.1 }, 1.05));
  assert.ok(!fulfills({ comparison: "equals", operand: 1, within: 0 }, 1.05));
  assert.ok(fulfills({ comparison: "at_least", operand: 3 }, 3) && !fulfills({ comparison: "at_most", operand: 2 }, 3));
});

const sampled = (value, stale = false, values = null) => ({ value, stale, column: { values } });

test("a choice offers the opposite of what is, and nothing where that is not known", () => {
  const PHASES = ["boot", "pad", "test"];
  const options = (...texts) => texts.map((text, value) => ({ value, text }));
  const now = (one, others, sample) =>
    presentChoice(
      one,
      one.args.find(({ values }) => values),
      others,
      () => sample,
    );
  const offer = (...given) => offered(options("a", "b"), now(...given));
  assert.equal(offer(TEST, {}, sampled(1, false, PHASES)), 1, "on the pad: enter");
  assert.equal(offer(TEST, {}, sampled(2, false, PHASES)), 0, "in the test: leave");
  assert.equal(offer(TEST, {}, sampled(2, true, PHASES)), null, "not heard of lately");
  assert.equal(offer(TEST, {}, sampled(0, false, PHASES)), null, "neither of the two");
  assert.equal(offer(TEST, {}, sampled(undefined)), null);
  assert.equal(offer(POWER, { n: 1 }, sampled(1)), 0);
  assert.equal(offer(POWER, { n: 1 }, sampled(NaN)), null);
  const asked = [];
  presentChoice(POWER, POWER.args[1], { n: 2, on: 0 }, (role) => asked.push(role) && undefined);
  assert.deepEqual(asked, ["camera[2].powered"], "of the camera that is chosen");
  assert.equal(now(POWER, { n: 1 }, undefined), undefined, "no telemetry tells of it");
  assert.equal(offered(options("a", "b"), undefined), undefined, "then the first stays");
  assert.equal(offered(options("a", "b", "c"), 1), null, "of three there is no opposite");
});

test("a command reads as language", () => {
  const member = (name, text) => ({ name, text, isWord: false, isMeasure: false });
  const measure = (name, text) => ({ name, text, isWord: false, isMeasure: true });
  const choice = (name, text) => ({ name, text, isWord: true, isMeasure: false });
  assert.equal(spoken("Move one fin", [member("fin", "1"), measure("angle", "5\u00b0")]), "Move fin 1 to 5\u00b0");
  assert.equal(spoken("Sweep one fin", [member("fin", "4")]), "Sweep fin 4");
  assert.equal(spoken("Arm lateral motor", [member("channel", "3")]), "Arm lateral motor 3");
  assert.equal(spoken("Ground-test mode", [choice("on", "enter")]), "Ground-test mode: enter");
  assert.equal(spoken("Camera power", [member("camera", "2"), choice("on", "off")]), "Camera power: camera 2, off");
  assert.equal(spoken("Ping", []), "Ping");
});

test("the search of all commands looks at titles, names and what they do", () => {
  const arm = { title: "Arm lateral motor", name: "channel_arm", does: "It disarms after 60 s.", hazard: "hazardous" };
  for (const words of ["", "ARM", "motor arm", "channel", "60", "hazardous"]) assert.ok(answers(arm, words), words);
  assert.ok(!answers(arm, "arm parachute"));
});
