// A channel's title for people: what its description begins with; the path stands beside it.

const LONGEST = 46;

/** @param {{column: object}} binding */
export function titleOf({ column }) {
  const said = (column.description ?? "").split(/[:;(]/)[0].trim();
  const short = said.length > LONGEST ? said.split(",")[0].trim() : said;
  return short && short.length <= LONGEST ? short : column.label || words(column.name);
}

function words(name) {
  const text = name.replaceAll("_", " ");
  return text[0].toUpperCase() + text.slice(1);
}
