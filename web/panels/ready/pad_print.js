// The pad sheet on paper: one page with lines to sign on. It is only seen in print.

import { h } from "../../kit/dom.js";
import { ADVICE, plain, STANDINGS, standingWords, summaryOf, tickWords, valueBeside } from "./pad_state.js";

const SIGNED = ["Flier", "Range safety officer"];

/** Put the sheet as it stands at a view on paper and ask the browser to print it. */
export function printSheet(sheet, view) {
  document.getElementById("paper")?.remove();
  document.body.append(paperOf(sheet, view));
  window.print();
}

function paperOf(sheet, view) {
  const { vehicle, site, simulated } = view.store.dictionary;
  const facts = [
    ["Vehicle", vehicle],
    ["Site", site?.name ?? ""],
    ["Date", dayOf(sheet.at)],
    ["Session", view.page.replay?.name ?? view.page.beat?.recording?.file ?? ""],
  ];
  const when = sheet.when ?? (sheet.state === "closed" ? "at lift-off" : "when printed");
  return h(
    "section",
    { id: "paper", class: "paper", "aria-hidden": "true" },
    h("h1", { text: sheet.title }),
    sheet.note && h("p", { text: sheet.note }),
    simulated && h("p", { text: "Simulated vehicle, every number invented." }),
    h(
      "p",
      { class: "paper-facts" },
      ...facts.filter(([, text]) => text).map(([name, text]) => h("span", {}, `${name}: `, h("b", { text }))),
    ),
    h("p", { class: "paper-state" }, h("b", { text: `As it stood ${when}: ${summaryOf(sheet.lines)}. ` }), ADVICE),
    h(
      "table",
      {},
      ...sheet.groups.map((group) =>
        h(
          "tbody",
          {},
          h("tr", {}, h("th", { colspan: "4", scope: "rowgroup", text: group.title })),
          ...group.items.map((item) => rowOf(view, sheet, item)),
        ),
      ),
    ),
    h(
      "div",
      { class: "paper-signed" },
      ...SIGNED.map((name) => h("p", {}, h("span", { class: "paper-line" }), name)),
      h("p", {}, h("span", { class: "paper-line" }), "Date and time"),
    ),
  );
}

function rowOf(view, sheet, item) {
  const { mark } = STANDINGS[item.line.standing];
  const word = standingWords(item.line);
  const told = item.automatic ? valueBeside(view, sheet, item) : tickWords(item.line);
  return h(
    "tr",
    {},
    h("td", { class: "paper-mark", text: item.automatic || item.line.by ? `${mark} ${word}` : "\u25a1 open" }),
    h("td", { text: item.title }),
    h("td", { text: told === "open" ? "" : told }),
    h("td", { text: plain(item.bound) }),
  );
}

function dayOf(utc) {
  const date = new Date(utc);
  return Number.isNaN(date.getTime()) ? "" : date.toISOString().slice(0, 10);
}
