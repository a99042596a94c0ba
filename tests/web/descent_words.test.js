// The way down in words: each stage with its rate and doubt, the landing, and a second place where a part was lost.

import assert from "node:assert/strict";
import { test } from "node:test";

import { landingText, stagesText } from "../../web/kit/descent_words.js";
import { otherWords } from "../../web/panels/find/whereabouts.js";

const DROGUE = { kind: "drogue", rate_m_s: 26.28, sigma_m_s: 0.77, from_m: 2840.4 };
const MAIN = { kind: "main", rate_m_s: 11.31, sigma_m_s: 0.36, from_m: 770.2 };

test("stages are told in order, each with its 95 % interval and where it began", () => {
  assert.equal(
    stagesText({ stages: [DROGUE, MAIN] }),
    "drogue 26.3 \u00b1 1.5 m/s from 2840 m, then main 11.3 \u00b1 0.7 m/s from 770 m",
  );
  assert.equal(stagesText({ stages: [] }), undefined);
  assert.equal(stagesText(undefined), undefined);
});

test("a landing is told with its doubt, its time and its energy where they are known", () => {
  assert.equal(landingText({ landing_m_s: 11.2, landing_sigma_m_s: 0.8 }), "11.2 \u00b1 1.6 m/s");
  const whole = { landing_m_s: 11.2, landing_sigma_m_s: 0.8, landing_t: 186.3, energy_j: 411.7 };
  assert.equal(landingText(whole, 10), "11.2 \u00b1 1.6 m/s, T+02:56.3, 412 J");
  assert.equal(landingText({}), undefined);
});

test("a part that was lost has a place of its own", () => {
  const view = (told) => ({ state: () => told && { body: told } });
  const body = { other_distance_m: 640, other_bearing_rad: 1.97, other_radius_m: 120 };
  assert.match(otherWords(view(body)), /^The part lost: 640 m, 113\u00b0 \w+, within 120 m \(95\u00a0%\)$/);
  assert.equal(otherWords(view({})), "");
  assert.equal(otherWords(view(undefined)), "");
});
