// The station's HTTP side: small questions, plain answers. Every failure is an Error with a sentence for people.

import { parseColumns } from "./columns.js";
import { Store } from "./store.js";

async function get(path) {
  let answer;
  try {
    answer = await fetch(path, { cache: "no-store" });
  } catch {
    throw new Error("The station does not answer. Is its program still running?");
  }
  if (answer.ok) return answer;
  const body = await answer.json().catch(() => ({}));
  throw new Error(body.sentence ?? `The station answered ${answer.status} to ${path}.`);
}

const session = (name, part) => `/api/sessions/${encodeURIComponent(name)}/${part}`;

export const getAbout = async () => (await get("/api/about")).json();
export const getSessions = async () => (await get("/api/sessions")).json();
export const getSummary = async (name) => (await get(session(name, "summary"))).json();

/** A store filled with everything the station has of a session; `name` "live" is the one being recorded. */
export async function getStore(name, { cap, session: known } = {}) {
  const dictionary = await (await get(session(name, "dictionary"))).json();
  const columns = parseColumns(await (await get(session(name, "columns"))).arrayBuffer());
  const store = new Store(dictionary, { session: known ?? name, cap });
  store.load(columns);
  return store;
}
