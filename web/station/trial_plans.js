// The bench trials the station offers for this vehicle: asked for once, and again when the station did not answer.

import { getPastTrials, getTrials } from "./api.js";

const AGAIN_MS = 2000;

/** Why no plan is offered: one sentence, whatever the number of plans that do not fit. */
function nonePlanned(problems) {
  const [first, ...others] = Object.values(problems);
  const more = others.length ? `, and so on for ${others.length} more` : "";
  return ["No trial plan fits this vehicle.", first && first + more].filter(Boolean).join(" ");
}

export class TrialPlans {
  #known = { asked: false, plans: null, problem: "", past: [] };
  #changed;
  #get;
  #getPast;

  /**
   * @param {() => void} changed @param {() => Promise<{plans: object[], problems: object}>} get
   * @param {() => Promise<{trials: object[], whole: boolean}>} getPast
   */
  constructor(changed, get = getTrials, getPast = getPastTrials) {
    this.#changed = changed;
    this.#get = get;
    this.#getPast = getPast;
  }

  /** {asked, plans: null until told, problem: a sentence or "", past: trials of earlier sessions, newest first} */
  get known() {
    return this.#known;
  }

  acts = { listTrials: () => this.#list() };

  async #list() {
    this.#set({ asked: true });
    try {
      const { plans, problems } = await this.#get();
      this.#set({ plans, problem: plans.length ? "" : nonePlanned(problems) });
    } catch {
      this.#set({ problem: "The station did not give its trial plans." });
      setTimeout(() => this.#set({ asked: false }), AGAIN_MS);
      return;
    }
    await this.#lookBack();
  }

  // A long shelf is read in pieces; without an answer there is no history, which is no trouble of its own.
  async #lookBack() {
    try {
      const { trials, whole } = await this.#getPast();
      this.#set({ past: trials });
      if (!whole) setTimeout(() => this.#lookBack(), AGAIN_MS);
    } catch {
      this.#set({ past: [] });
    }
  }

  #set(change) {
    this.#known = { ...this.#known, ...change };
    this.#changed();
  }
}
