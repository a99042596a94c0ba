// What a page offers when it comes to watch.

import assert from "node:assert/strict";
import { test } from "node:test";

import { offered } from "../../web/station/view_socket.js";

test("an operator's page offers its token behind the protocol, any other page nothing", () => {
  assert.deepEqual(offered("a-B_9"), ["view", "operator.a-B_9"]);
  for (const none of [null, undefined, ""]) assert.deepEqual(offered(none), []);
});

test("what a browser would refuse to offer is left out, so that a mistyped link still shows", () => {
  for (const wrong of ["a b", "a,b", "\u00e9", 'x"', "a\n"]) assert.deepEqual(offered(wrong), [], wrong);
});
