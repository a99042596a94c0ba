// The bench trials the station offers for this vehicle: asked for once, and again when the station did not answer.

import { getTrials } from "./api.js";

const AGAIN_MS = 2000;

export class TrialPlans {
  #known = { asked: false, plans: null, problem: "" };
  #changed;
  #get;

  /** @param {() => void} changed @param {() => Promise<{plans: object[], problems: object}>} get */
  constructor(changed, get = getTrials) {
    this.#changed = changed;
    this.#get = get;
  }

  /** {asked, plans: null until told, problem: a sentence or ""} */
  get known() {
    return this.#known;
  }

  acts = { listTrials: () => this.#list() };

  async #list() {
    this.#set({ asked: true });
    try {
      const { plans, problems } = await this.#get();
      const none = ["No trial plan fits this vehicle.", ...Object.values(problems)].join(" ");
      this.#set({ plans, problem: plans.length ? "" : none });
    } catch {
      this.#set({ problem: "The station did not give its trial plans." });
      setTimeout(() => this.#set({ asked: false }), AGAIN_MS);
    }
  }

  #set(change) {
    this.#known = { ...this.#known, ...change };
    this.#changed();
  }
}
