// The station's HTTP side: small questions, plain answers. Every failure is an Error with a sentence for people.

import { parseColumns } from "../session/columns.js";
import { Store } from "../session/store.js";

const LOOK_BYTES = 256 * 1024;

const get = (path) => ask(path, {});

async function ask(path, options) {
  let answer;
  try {
    answer = await fetch(path, { cache: "no-store", ...options });
  } catch {
    throw new Error("The station does not answer. Is its program still running?");
  }
  if (answer.ok) return answer;
  const body = await answer.json().catch(() => ({}));
  throw new Error(body.sentence ?? `The station answered ${answer.status} to ${path}.`);
}

const session = (name, part) => `/api/sessions/${encodeURIComponent(name)}/${part}`;

export const getAbout = async () => (await get("/api/about")).json();
/** The station's time, for a page that wants to know how late it hears: {rx_now}. */
export const getClock = async (signal) => (await ask("/api/clock", { signal })).json();
export const getTrials = async () => (await get("/api/trials")).json();
export const getRehearsals = async () => (await get("/api/rehearsals")).json();
/** What is kept of one rehearsal to be drawn, by the name of its recording. */
export const getRehearsal = async (name) => (await get(`/api/rehearsals/${encodeURIComponent(name)}`)).json();
export const getPastTrials = async () => (await get("/api/trials/past")).json();
export const getSessions = async (rehearsals) =>
  (await get(`/api/sessions${rehearsals ? "?rehearsals=true" : ""}`)).json();
export const getSummary = async (name) => (await get(session(name, "summary"))).json();

/** The newest packets that had arrived at session second rx, byte by byte: {rx_s, packets, left_out}. */
export const getPackets = async (name, rx) => (await get(`${session(name, "packets")}?rx=${rx}`)).json();

export const getTrash = async () => (await get("/api/trash")).json();

/** Change something on the shelf; only the holder of the terminal's longer link may. */
export async function changeShelf(method, path, token, body) {
  return (
    await ask(path, {
      method,
      headers: token ? { authorization: `Bearer ${token}` } : {},
      body: body === undefined ? undefined : JSON.stringify(body),
    })
  ).json();
}

/** Flights side by side: {told, table}. */
export async function getComparison(names, at, rehearsals = false) {
  const query = new URLSearchParams([
    ...names.map((name) => ["sessions", name]),
    ...[at].flat().map((one) => ["at", one]),
    ...(rehearsals ? [["rehearsals", "true"]] : []),
  ]);
  const told = await (await get(`/api/compare?${query}`)).json();
  query.set("form", "columns");
  const { tables } = parseColumns(await (await get(`/api/compare?${query}`)).arrayBuffer());
  return { told, table: tables.get("compare") };
}

/** What the sheet's pieces add up to, and the next flight with some changes; `name` may be "live". */
export const getConfiguration = async (name) => (await get(session(name, "configuration"))).json();
export const getForecast = async (name, changes) =>
  (await get(`${session(name, "next-flight")}?${new URLSearchParams(changes)}`)).json();

/**
 * Send the files of the vehicle's own log, with what their columns are if they are one text; the answer is the
 * station's report of it.
 */
export async function bringLog(name, files, mapping, token) {
  const named = files.flatMap((file) => [
    ["file", file.name],
    ["size", file.size],
  ]);
  return postLog(name, [...named, ...(mapping ? [["map", JSON.stringify(mapping)]] : [])], new Blob(files), token);
}

/** How far the station has come with reading a log, in words; undefined when it does not say. */
export async function getProgress(name) {
  const answer = await fetch(session(name, "onboard/progress"))
    .then((one) => one.json())
    .catch(() => ({}));
  return answer.text;
}

/** The columns of a log and what they are guessed to be, from its beginning; {card: true} in the vehicle's format. */
export async function lookIntoLog(name, file, token) {
  const query = [
    ["file", file.name],
    ["look", "1"],
  ];
  return postLog(name, query, file.slice(0, LOOK_BYTES), token);
}

async function postLog(name, query, body, token) {
  const path = `${session(name, "onboard")}?${new URLSearchParams(query)}`;
  return (await ask(path, { method: "POST", headers: token ? { authorization: `Bearer ${token}` } : {}, body })).json();
}

/**
 * The log kept with a session: {told, table, roles}, without columns when it could not be aligned; null when there is
 * none.
 */
export async function getLog(name) {
  let told;
  try {
    told = await (await get(session(name, "onboard"))).json();
  } catch {
    return null;
  }
  if (!told) return null;
  if (told.alignment?.refused) return { told };
  const { tables } = parseColumns(await (await get(session(name, "onboard/columns"))).arrayBuffer());
  return {
    told,
    table: tables.get("onboard"),
    roles: Object.fromEntries(told.columns.filter(({ role }) => role).map(({ role, name: column }) => [role, column])),
  };
}

/** What came of the live flight's goals: {goals, on_trial}; null before it has landed and without a card. */
export const getGoals = async () => (await get(session("live", "goals"))).json();

/** A store filled with everything the station has of a session; `name` "live" is the one being recorded. */
export async function getStore(name, { cap, session: known } = {}) {
  const dictionary = await (await get(session(name, "dictionary"))).json();
  const columns = parseColumns(await (await get(session(name, "columns"))).arrayBuffer());
  const store = new Store(dictionary, { session: known ?? name, cap });
  store.load(columns);
  return store;
}
