import assert from "node:assert/strict";
import { test } from "node:test";

import { STUDY_BOX, studyInterval, studyNumber, studyShape } from "../../web/pictures/study_picture.js";
import { Studies } from "../../web/station/studies.js";

const line = (y, low = [], high = []) => ({ name: "one", x: [0, 1, 2], y, low, high });

test("a study's numbers are told in three places, and what is not known by a dash", () => {
  assert.deepEqual(
    [0, 4.256, 42.56, 1234.5, 0.01234, null, Number.NaN].map(studyNumber),
    ["0", "4.26", "42.6", "1235", "0.0123", "\u2013", "\u2013"].map((text) => text),
  );
  assert.equal(studyInterval({ low: 3, high: 5.5 }), "3.00 to 5.50");
  assert.equal(studyInterval({ low: null, high: 5.5 }), "\u2013 to 5.50");
  assert.equal(studyInterval({ low: null, high: null }), "");
});

test("a picture's curves and bands stay in their box, broken where nothing is known", () => {
  const wild = studyShape({ lines: [line([1, null, 3], [0, 0, -900], [2, 2, 900])] });
  const [one] = wild.lines;
  assert.equal(one.path.match(/M/g).length, 2);
  const heights = [...one.band.matchAll(/ (-?[\d.]+)/g)].map((found) => Number(found[1]));
  assert.ok(heights.length === 6 && heights.every((y) => y >= STUDY_BOX.top - 1e-6 && y <= STUDY_BOX.base + 1e-6));
  assert.equal(studyShape({ lines: [line([1, 2, 3])] }).lines[0].band, "");
  assert.equal(wild.ticks[0].x, STUDY_BOX.left);
});

test("a question is asked once and its answer kept while the recording is open", async () => {
  const asked = [];
  const one = async (session, subject) => {
    asked.push([session, subject]);
    return { title: subject };
  };
  const studies = new Studies(
    () => {},
    async () => [{ name: "a", question: "Why?" }],
    one,
  );
  await studies.acts.lookAtStudies("first");
  await studies.acts.askStudy("a");
  await studies.acts.askStudy("a");
  assert.deepEqual([asked, studies.known.told.a.study.title, studies.known.asked], [[["first", "a"]], "a", "a"]);
  await studies.acts.lookAtStudies("second");
  assert.deepEqual([studies.known.told, studies.known.asked], [{}, ""]);
});

test("a refusal is told and may be asked again; an answer for a recording left meanwhile is dropped", async () => {
  let answer = async () => {
    throw new Error("Much is being worked out for others; try again in a moment.");
  };
  const studies = new Studies(
    () => {},
    async () => [],
    () => answer(),
  );
  await studies.acts.lookAtStudies("first");
  await studies.acts.askStudy("a");
  assert.match(studies.known.told.a.problem, /^Much/);
  let come;
  answer = () => new Promise((resolve) => (come = resolve));
  const waiting = studies.acts.askStudy("a");
  assert.equal(studies.known.told.a.busy, true);
  studies.acts.lookAtStudies("second");
  come({ title: "late" });
  await waiting;
  assert.deepEqual(studies.known.told, {});
});
