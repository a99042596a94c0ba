// Checks of the page as it is served: the content security policy, the names, the colors.

import assert from "node:assert/strict";
import { readdirSync, readFileSync } from "node:fs";
import { test } from "node:test";

const WEB = new URL("../../web/", import.meta.url);
const read = (name) => readFileSync(new URL(name, WEB), "utf8");
const names = readdirSync(WEB, { recursive: true })
  .map((name) => name.replaceAll("\\", "/"))
  .sort();
const modules = names.filter((name) => name.endsWith(".js"));

test("the page has no inline script, style or handler, and fetches nothing from elsewhere", () => {
  const page = read("index.html");
  assert.doesNotMatch(page, /<script(?![^>]*\bsrc=)/);
  assert.doesNotMatch(page, /\sstyle=|<style|\son\w+=/);
  for (const [, address] of page.matchAll(/(?:src|href)="([^"]*)"/g))
    assert.match(address, /^(\/web\/(?:styles\/)?[\w.]+|\/vendor\/[\w.]+|data:,|#main)$/);
  for (const name of names.filter((one) => one.endsWith(".css"))) assert.doesNotMatch(read(name), /url\(|@import/);
});

test("nothing from the station can become markup or code", () => {
  for (const name of modules)
    assert.doesNotMatch(
      read(name),
      /innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function|"style",/,
      name,
    );
});

test("every style sheet and script the page names exists, and none is forgotten", () => {
  const page = read("index.html");
  for (const name of names.filter((one) => one.endsWith(".css"))) assert.ok(page.includes(`/web/${name}`), name);
});

// Contrast as WCAG 2.2 defines it (relative luminance); thresholds 1.4.6 (7:1 text) and 1.4.11 (3:1 controls).
function luminance(hex) {
  const [r, g, b] = [1, 3, 5]
    .map((at) => parseInt(hex.slice(at, at + 2), 16) / 255)
    .map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4));
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}

function contrast(a, b) {
  const [low, high] = [luminance(a), luminance(b)].sort((x, y) => x - y);
  return (high + 0.05) / (low + 0.05);
}

test("the contrast formula gives published ratios", () => {
  for (const [a, b, ratio] of [
    ["#000000", "#ffffff", 21],
    ["#767676", "#ffffff", 4.542],
    ["#595959", "#ffffff", 7.005],
    ["#ff0000", "#ffffff", 3.998],
    ["#8b0000", "#ffffff", 10.011],
  ]) {
    assert.ok(Math.abs(contrast(a, b) - ratio) < 0.002, `${a} on ${b}`);
  }
});

function colors(theme) {
  const blocks = [...read("styles/base.css").matchAll(/:root(\[data-theme="dark"\])? \{([^}]*)\}/g)];
  const chosen = blocks
    .filter(([, dark]) => !dark || theme === "dark")
    .map(([, , body]) => body)
    .join("\n");
  return Object.fromEntries(
    [...chosen.matchAll(/--([\w-]+): (#[0-9a-f]{6})/g)].map(([, name, value]) => [name, value]),
  );
}

const TEXT = [
  ["ink", "ground"],
  ["ink", "sheet"],
  ["quiet", "ground"],
  ["quiet", "sheet"],
  ["ink", "stale-ground"],
  ["press-ink", "press"],
  ["warning-ink", "sheet"],
  ["caution-ink", "sheet"],
  ["good-ink", "sheet"],
  ["on-warning", "warning"],
  ["on-caution", "caution"],
];
const DRAWN = [
  ["edge", "sheet"],
  ["edge", "ground"],
  ["series-1", "sheet"],
  ["series-2", "sheet"],
  ["series-3", "sheet"],
  ["series-4", "sheet"],
  ["chosen", "sheet"],
  ["warning", "sheet"],
];

for (const theme of ["light", "dark"]) {
  test(`${theme}: text reaches 7:1, what is drawn reaches 3:1`, () => {
    const found = colors(theme);
    for (const [ink, ground] of TEXT)
      assert.ok(
        contrast(found[ink], found[ground]) >= 7,
        `${ink} on ${ground}: ${contrast(found[ink], found[ground]).toFixed(2)}`,
      );
    for (const [ink, ground] of DRAWN)
      assert.ok(
        contrast(found[ink], found[ground]) >= 3,
        `${ink} on ${ground}: ${contrast(found[ink], found[ground]).toFixed(2)}`,
      );
  });
}
