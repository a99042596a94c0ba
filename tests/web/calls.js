// Prints what would be called out of a journal: node calls.js FILE; the file holds {zero, entries}, as JSON.

import { readFileSync } from "node:fs";

import { callLines } from "../../web/ears/calls.js";

const { zero, entries } = JSON.parse(readFileSync(process.argv[2], "utf8"));
process.stdout.write(`${callLines(entries, zero).join("\n")}\n`);
