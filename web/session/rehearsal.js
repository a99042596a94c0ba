// Whether what is looked at is a rehearsal: the flight computer on the bench, believing that it flies. Pure.

/** Which rehearsal it is, in words; "" where it is none. A recording of one is one from its beginning to its end. */
export function rehearsalOf(store, rx = Infinity) {
  if (!store) return "";
  if (store.dictionary?.rehearsal) return store.dictionary.rehearsal;
  return word(store, "rehearsal.state", rx) === "rehearsing" ? "under way" : "";
}

/** Has the vehicle said that it was built for rehearsal? Such a build is not for flight. */
export const isRehearsalBuild = (store, rx = Infinity) =>
  Boolean(store) && word(store, "identity.build", rx) === "rehearsal";

/** The last word of a role at station time rx; undefined where none was heard. */
function word(store, role, rx) {
  const binding = store.roles?.get(role);
  const table = binding && store.tables.get(binding.table);
  const row = table ? table.rowAt(rx) : -1;
  return row < 0 ? undefined : binding.column.values?.[table.columns[binding.index][row]];
}
