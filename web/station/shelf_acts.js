// What is done at home with recordings: labels, notes, trash, comparing, the vehicle's own log. Every failure is a
// sentence.

import {
  bringLog,
  changeShelf,
  getComparison,
  getConfiguration,
  getForecast,
  getLog,
  getTrash,
  lookIntoLog,
} from "./api.js";

const PROGRESS_MS = 500;

/**
 * The acts of the Review place. `page` holds what they lead to: trash, comparison {told, table}, onboard {told, table,
 * roles},
 * plans (by session: {configuration or unbuilt, forecast or problem}, where the second of each is the reason).
 * @param {object} page @param {{changed, trouble, listSessions, token: () => string|null}} hands
 */
export function shelfActs(page, { changed, trouble, listSessions, token }) {
  const tried = async (work) => {
    try {
      await work();
    } catch (error) {
      trouble(error.message);
    }
    changed();
  };
  const changeAndList = (method, path, body) =>
    tried(async () => {
      await changeShelf(method, path, token(), body);
      page.trash = await getTrash();
      await listSessions();
    });
  const session = (name, part = "") => `/api/sessions/${encodeURIComponent(name)}${part}`;
  const look = (name) =>
    tried(async () => {
      page.onboard = await getLog(name);
    });

  return {
    note: (name, changes) => changeAndList("PUT", session(name, "/notes"), changes),
    remove: (name) => changeAndList("DELETE", session(name)),
    restore: (entry) => changeAndList("POST", `/api/trash/${encodeURIComponent(entry)}/restore`, {}),
    lookAtTrash: () =>
      tried(async () => {
        page.trash = await getTrash();
      }),
    compare: (names, at = "lift_off") =>
      tried(async () => {
        page.comparison = names && names.length > 1 ? await getComparison(names, at) : null;
      }),
    lookAtPlan: async (name) => {
      const [configuration, forecast] = await Promise.allSettled([getConfiguration(name), getForecast(name, {})]);
      page.plans[name] = {
        configuration: configuration.value,
        unbuilt: configuration.reason?.message,
        forecast: forecast.value,
        problem: forecast.reason?.message,
      };
      changed();
    },
    forecast: (name, changes) =>
      tried(async () => {
        page.plans[name] = { ...page.plans[name], forecast: await getForecast(name, changes) };
      }),
    trouble,
    lookAtLog: look,
    dropLog: () =>
      tried(async () => {
        await changeShelf("DELETE", session(page.replay.name, "/onboard"), token());
        page.onboard = null;
        await listSessions();
      }),
    lookIntoLog: (file) =>
      tried(async () => {
        page.onboard = { file, form: await lookIntoLog(page.replay.name, file, token()) };
      }),
    forgetLog: () => look(page.replay.name),
    bringLog: (file, mapping) =>
      tried(async () => {
        const { name } = page.replay;
        page.onboard = { busy: `Reading ${file.name} \u2026` };
        changed();
        const watch = setInterval(async () => {
          const answer = await fetch(session(name, "/onboard/progress"))
            .then((one) => one.json())
            .catch(() => ({}));
          if (answer.text && page.onboard?.busy) {
            page.onboard = { busy: answer.text };
            changed();
          }
        }, PROGRESS_MS);
        try {
          await bringLog(name, file, mapping, token());
          page.onboard = await getLog(name);
          await listSessions();
        } catch (error) {
          page.onboard = null;
          throw error;
        } finally {
          clearInterval(watch);
        }
      }),
  };
}
