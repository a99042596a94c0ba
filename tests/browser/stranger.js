// What a stranger's page tries, with a token it should not have; gives a word on each attempt.
async ([station, token]) => {
  const told = {};
  const attempt = async (name, what) => {
    try {
      told[name] = await what();
    } catch (error) {
      told[name] = `failed: ${error.name}`;
    }
  };
  const asked = async (path, more) => {
    const answer = await fetch(station + path, { cache: "no-store", ...more });
    return `${answer.type} ${answer.status}`;
  };
  const authorization = `Bearer ${token}`;
  await attempt("read", () => asked("/api/about"));
  await attempt("no-cors", () => asked("/api/sessions", { mode: "no-cors" }));
  await attempt("simple post", () => asked("/api/trash/0%20calm/restore", { method: "POST", mode: "no-cors", body: "{}" }));
  await attempt("json", () => asked("/api/sessions/calm/notes", {
    method: "PUT",
    body: JSON.stringify({ label: "taken" }),
    headers: { "content-type": "application/json", authorization },
  }));
  await attempt("delete", () => asked("/api/sessions/calm", { method: "DELETE", headers: { authorization } }));

  const socket = (path, say) => new Promise((done) => {
    const line = new WebSocket(station.replace("http", "ws") + path);
    line.onopen = () => line.send(say);
    line.onmessage = ({ data }) => done(`heard ${String(data).slice(0, 40)}`);
    line.onclose = ({ code }) => done(`closed ${code}`);
    setTimeout(() => done("silent"), 4000);
  });
  await attempt("view", () => socket("/ws/view", "{}"));
  await attempt("desk", () => socket("/ws/desk", JSON.stringify({ type: "sign_in", token, name: "Eve" })));

  const loaded = (element, more) => new Promise((done) => {
    element.onload = () => done("loaded");
    element.onerror = () => done("not loaded");
    Object.assign(element, more);
    document.head.append(element);
  });
  const script = document.createElement("script");
  await attempt("script", () => loaded(script, { type: "module", src: `${station}/web/kit/dom.js` }));
  const frame = document.createElement("iframe");
  await attempt("frame", () => loaded(frame, { src: `${station}/` }));
  return told;
}
