// What is known of the shelf, and what is done at home with recordings: labels, notes, trash, comparing, plans, the
// vehicle's own log. The one writer of all of it. Every failure is a sentence.

import * as station from "./api.js";

const PROGRESS_MS = 500;
const session = (name, part = "") => `/api/sessions/${encodeURIComponent(name)}${part}`;

export class Shelf {
  #hooks;
  #api;
  #forecasts = 0; // how many were asked for
  #rehearsals = false; // whether the shelf shows rehearsals as well: they are no flights
  #known = { sessions: null, trash: null, comparison: null, onboard: null, plans: {}, goals: null };
  #asked = null; // the listing under way, or the last one
  #judged = ""; // of which state of the live flight the goals were asked

  /**
   * @param {object} hooks
   * @param {() => void} hooks.changed @param {(sentence: string|null) => void} hooks.trouble
   * @param {() => string|null} hooks.token @param {() => string|undefined} hooks.opened name of the open recording
   * @param {object} api the questions of api.js
   */
  constructor(hooks, api = station) {
    this.#hooks = hooks;
    this.#api = api;
  }

  /** Every recording of the shelf; null until the station has told. */
  get sessions() {
    return this.#known.sessions;
  }

  get trash() {
    return this.#known.trash;
  }

  /** Flights side by side: {told, table}. */
  get comparison() {
    return this.#known.comparison;
  }

  /** The open recording's own log: {told, table, roles}, or {busy}, or {file, form} while it is brought in. */
  get onboard() {
    return this.#known.onboard;
  }

  /** By session: {configuration or unbuilt, forecast or problem}, where the second of each is the reason. */
  get plans() {
    return this.#known.plans;
  }

  /** What came of the live flight's goals once it has landed: {goals, on_trial}; null before. */
  get goals() {
    return this.#known.goals;
  }

  /** Another session is looked at: what was shown of the last one's own log goes. */
  dropOnboard() {
    this.#set({ onboard: null });
  }

  /** What panels may ask for. */
  acts = {
    listSessions: (rehearsals = this.#rehearsals) => {
      this.#rehearsals = rehearsals;
      return this.#tried(() => this.#list());
    },
    note: (name, changes) => this.#changeAndList("PUT", session(name, "/notes"), changes),
    remove: (name) => this.#changeAndList("DELETE", session(name)),
    restore: (entry) => this.#changeAndList("POST", `/api/trash/${encodeURIComponent(entry)}/restore`, {}),
    lookAtTrash: () => this.#tried(async () => this.#set({ trash: await this.#api.getTrash() })),
    compare: (names, at = "lift_off") =>
      this.#tried(async () => {
        const many = names && names.length > 1;
        this.#set({ comparison: many ? await this.#api.getComparison(names, at, this.#rehearsals) : null });
      }),
    lookAtPlan: (name) => this.#tried(() => this.#lookAtPlan(name)),
    forecast: (name, changes) => this.#tried(() => this.#forecast(name, changes)),
    lookAtGoals: (judged) => this.#tried(() => this.#lookAtGoals(judged)),
    lookAtLog: (name) => this.#tried(() => this.#lookAtLog(name)),
    forgetLog: () => this.#tried(() => this.#lookAtLog(this.#hooks.opened())),
    dropLog: () =>
      this.#tried(async () => {
        await this.#api.changeShelf("DELETE", session(this.#hooks.opened(), "/onboard"), this.#hooks.token());
        this.dropOnboard();
        await this.#list();
      }),
    takeLog: (files) => this.#tried(() => this.#takeLog(this.#hooks.opened(), files)),
    bringLog: (files, mapping) => this.#tried(() => this.#bringLog(this.#hooks.opened(), files, mapping)),
  };

  #set(change) {
    this.#known = { ...this.#known, ...change };
    this.#hooks.changed();
  }

  #plan(name, change) {
    this.#set({ plans: { ...this.plans, [name]: { ...this.plans[name], ...change } } });
  }

  async #tried(work) {
    try {
      await work();
    } catch (error) {
      this.#hooks.trouble(error.message);
    }
    this.#hooks.changed();
  }

  // One at a time: an answer that was overtaken by a later one would take back what that one has told.
  async #list() {
    this.#asked = (this.#asked ?? Promise.resolve())
      .catch(() => {})
      .then(() => this.#api.getSessions(this.#rehearsals));
    this.#set({ sessions: await this.#asked });
  }

  #changeAndList(method, path, body) {
    return this.#tried(async () => {
      await this.#api.changeShelf(method, path, this.#hooks.token(), body);
      this.#set({ trash: await this.#api.getTrash() });
      await this.#list();
    });
  }

  async #lookAtPlan(name) {
    const asked = [this.#api.getConfiguration(name), this.#api.getForecast(name, {})];
    const [configuration, forecast] = await Promise.allSettled(asked);
    this.#plan(name, {
      configuration: configuration.value,
      unbuilt: configuration.reason?.message,
      forecast: forecast.value,
      problem: forecast.reason?.message,
    });
  }

  // The last change asked about is the one shown: an answer that was overtaken is nobody's.
  async #forecast(name, changes) {
    this.#forecasts += 1;
    const number = this.#forecasts;
    try {
      const forecast = await this.#api.getForecast(name, changes);
      if (number === this.#forecasts) this.#plan(name, { forecast });
    } catch (error) {
      if (number === this.#forecasts) throw error;
    }
  }

  // `judged` says what they depend on, "" before it has landed; asked once for each.
  async #lookAtGoals(judged) {
    if (judged === this.#judged) return;
    this.#judged = judged;
    const goals = judged ? await this.#api.getGoals().catch(() => null) : null;
    if (judged === this.#judged) this.#set({ goals });
  }

  // A late answer about a recording that is no longer open is nobody's.
  async #lookAtLog(name) {
    const onboard = await this.#api.getLog(name);
    if (name === this.#hooks.opened()) this.#set({ onboard });
  }

  // Only the columns of one text are a person's to say; a card and several files say themselves what they hold.
  async #takeLog(name, files) {
    if (files.length > 1) return this.#bringLog(name, files, null);
    const form = await this.#api.lookIntoLog(name, files[0], this.#hooks.token());
    if (form.card) return this.#bringLog(name, files, null);
    return this.#set({ onboard: { file: files[0], form } });
  }

  async #bringLog(name, files, mapping) {
    this.#set({ onboard: { busy: `Reading ${files.map((file) => file.name).join(" and ")} \u2026` } });
    const watch = setInterval(async () => {
      const text = await this.#api.getProgress(name);
      if (text && this.onboard?.busy) this.#set({ onboard: { busy: text } });
    }, PROGRESS_MS);
    try {
      await this.#api.bringLog(name, files, mapping, this.#hooks.token());
      await this.#lookAtLog(name);
      await this.#list();
    } catch (error) {
      this.dropOnboard();
      throw error;
    } finally {
      clearInterval(watch);
    }
  }
}
