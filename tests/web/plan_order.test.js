// A forecast that is overtaken: what was asked last is what is shown, whichever answer comes first.

import assert from "node:assert/strict";
import { test } from "node:test";
import { Shelf } from "../../web/station/shelf.js";

test("a late answer to an earlier change does not take the place of the later one's", async () => {
  const waiting = [];
  const troubles = [];
  const api = { getForecast: (_, changes) => new Promise((give, fail) => waiting.push({ changes, give, fail })) };
  const hooks = { changed() {}, trouble: (sentence) => troubles.push(sentence), token: () => null, opened: () => "a" };
  const shelf = new Shelf(hooks, api);
  const ask = (changes) => shelf.acts.forecast("a", changes);
  const asked = [ask({ mass_g: "-80" }), ask({ mass_g: "-80", wind_m_s: "6" })];
  waiting[1].give("both");
  waiting[0].give("mass alone");
  await Promise.all(asked);
  assert.equal(shelf.plans.a.forecast, "both");
  const failed = [ask({}), ask({})];
  waiting[3].give("as it is");
  waiting[2].fail(new Error("overtaken"));
  await Promise.all(failed);
  assert.equal(shelf.plans.a.forecast, "as it is");
  assert.deepEqual(troubles, []);
});
