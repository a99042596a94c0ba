// What came of rehearsals, by firmware build, and the one that is looked at. Asked for again from time to time while
// somebody looks, since the terminal adds to it; without an answer what was known stays.

import { getRehearsal, getRehearsals } from "./api.js";

const AGAIN_MS = 10000;

export class Rehearsals {
  #known = { builds: [], chosen: null };
  #asked_ms = -Infinity;
  #changed;
  #getAll;
  #getOne;

  /**
   * @param {() => void} changed @param {() => Promise<{builds: object[]}>} getAll
   * @param {(name: string) => Promise<object>} getOne what is kept of a run to be drawn
   */
  constructor(changed, getAll = getRehearsals, getOne = getRehearsal) {
    this.#changed = changed;
    this.#getAll = getAll;
    this.#getOne = getOne;
  }

  /**
   * {builds, chosen: null or {mark, build, track: null until told, problem: a sentence or ""}}; `mark` is a run of the
   * build's course
   */
  get known() {
    return this.#known;
  }

  acts = {
    lookAtRehearsals: (now_ms) => {
      if (now_ms - this.#asked_ms < AGAIN_MS) return undefined;
      this.#asked_ms = now_ms;
      return this.#list();
    },
    /** Look at a run, or at none. */
    chooseRehearsal: (build, mark) => this.#choose(mark && { build, mark, track: null, problem: "" }),
  };

  async #list() {
    try {
      const { builds } = await this.#getAll();
      if (JSON.stringify(builds) !== JSON.stringify(this.#known.builds)) this.#set({ builds });
    } catch {
      // Nothing else of the page hangs on it.
    }
  }

  async #choose(chosen) {
    this.#set({ chosen: chosen ?? null });
    if (!chosen) return;
    let told;
    try {
      if (!chosen.mark.name) throw new Error("No picture is kept of this rehearsal.");
      told = { track: await this.#getOne(chosen.mark.name) };
    } catch ({ message }) {
      told = { problem: message };
    }
    // Another one may have been chosen meanwhile.
    if (this.#known.chosen === chosen) this.#set({ chosen: { ...chosen, ...told } });
  }

  #set(change) {
    this.#known = { ...this.#known, ...change };
    this.#changed();
  }
}
