// What moves on the page. Everything else is made by the daemon; nothing here is needed to read the history.
//
// States come as server-sent events; parts that are pictures or lists are fetched as they are, ready made.
// A state that is older than LOST_MS is not believed: the band then says that it does not know.

const LOST_MS = 5000;
// An output that goes on and off many times a second is shown as on: never too little, and nothing flashes.
const HOLD_MS = 2000;
const TRACE_MS = 500;
const CHART_MS = 1000;
// A scanner types faster than any hand, and ends with Enter.
const SCAN_GAP_MS = 50;
const SCAN_LENGTH_MIN = 3;

const $ = (id) => document.getElementById(id);
// One on a station's own page, all of them elsewhere: the band and its button are about these.
const stations = JSON.parse(document.body.dataset.stations ?? "[]");
const station = stations[0];
const api = (path) => `/api/v1${path}`;
const at = (name, path) => api(`/stations/${encodeURIComponent(name)}${path}`);
const here = (path) => at(station, path);

const states = new Map();
const onAt = new Map();
let status = null;
let heard = "";
let heardAt = -Infinity;
let job = null;

function say(text, bad = false) {
  const line = $("said");
  line.textContent = text;
  line.classList.toggle("message", bad);
}

async function send(path, body, method = "POST") {
  try {
    const answer = await fetch(path, {
      method,
      headers: { "content-type": "application/json" },
      body: body === undefined ? undefined : JSON.stringify(body),
      keepalive: true,
    });
    if (answer.ok) return true;
    const problem = await answer.json().catch(() => ({}));
    say(problem.detail ?? `The daemon answered ${answer.status}.`, true);
  } catch {
    say("The daemon cannot be reached. Switch the source off by hand if it may be on.", true);
  }
  return false;
}

async function stop() {
  $("stop").setAttribute("aria-busy", "true");
  const stopped = await Promise.all(stations.map((name) => send(at(name, "/stop"), {})));
  if (stopped.every(Boolean)) say("Stopped. The source confirmed that its output is off.");
  $("stop").removeAttribute("aria-busy");
}

// The band.

// From what is best to know to what is worst; of several stations the worst counts.
const ORDER = ["off", "armed", "on", "unknown"];

function stateOf(name, now) {
  const state = states.get(name);
  if (!state || now - heardAt > LOST_MS) return "unknown";
  if (state.output.state !== "off") return state.output.state;
  if (state.doing !== "measuring") return "off";
  return now - (onAt.get(name) ?? -Infinity) < HOLD_MS ? "on" : "armed";
}

function hertz(value) {
  const [scale, unit] = value >= 1e9 ? [1e9, "GHz"] : value >= 1e6 ? [1e6, "MHz"] : [1e3, "kHz"];
  return `${+(value / scale).toPrecision(7)} ${unit}`;
}

let sent = "";

function showBand() {
  const now = performance.now();
  let doubt = "No word from the daemon. Take the output for on.";
  let confirmed = "";
  for (const name of stations) {
    const output = states.get(name)?.output;
    const prefix = stations.length > 1 ? `${name}: ` : "";
    if (output?.state === "unknown" && now - heardAt <= LOST_MS) doubt = `${prefix}${output.why}. Take the output for on: switch the source off by hand, then press STOP until it is confirmed off.`;
    if (output?.state === "off") confirmed = `${prefix}Confirmed off at ${new Date(output.confirmed).toLocaleTimeString()}.`;
    if (output?.state !== "on") continue;
    onAt.set(name, now);
    const { frequency_hz, level_dbm, feed_dbm } = output;
    sent = `${prefix}${hertz(frequency_hz)} at ${level_dbm.toFixed(1)} dBm, ${feed_dbm.toFixed(1)} dBm into the antenna`;
  }
  const order = stations.map((name) => ORDER.indexOf(stateOf(name, now)));
  const state = ORDER[Math.max(...order)];
  const words = {
    on: ["Transmitting", sent],
    armed: ["About to transmit", "The output is off for a moment. Stand clear."],
    off: ["Output off", confirmed],
    unknown: ["State unknown", doubt],
  }[state];
  const band = $("band");
  if (band.dataset.state !== state) {
    band.dataset.state = state;
    $("announce").textContent = `${words[0]}. ${words[1]}`;
  }
  if ($("state").textContent !== words[0]) $("state").textContent = words[0];
  if ($("what").textContent !== words[1]) $("what").textContent = words[1];
}

// What the station is doing.

const minutes = (seconds) =>
  seconds < 90 ? `about ${Math.max(1, Math.round(seconds))} s left` : `about ${Math.round(seconds / 60)} min left`;

function show() {
  $("words").textContent = status.words;
  const { done, total, left_s } = status.progress;
  $("progress").hidden = total === 0 || !status.job;
  $("bar").max = Math.max(total, 1);
  $("bar").value = done;
  $("done").textContent = `${done} of ${total} readings` + (left_s == null ? "" : `, ${minutes(left_s)}`);
  showPrompt(status.prompt);
  $("paused").hidden = !status.paused;
  $("why").textContent = status.paused ? `The queue is paused: ${status.paused.reason}. What was being measured is set aside there.` : "";
  $("source").textContent = status.health.source ?? "missing";
  $("receiver").textContent = status.health.receiver ?? "missing";
  $("missing").hidden = !status.health.missing;
  $("missing").textContent = status.health.missing ? `${status.health.missing.what}: ${status.health.missing.error}` : "";
  $("interlock").textContent = status.interlock == null ? "none" : status.interlock ? "closed, may transmit" : "open, nothing is sent";
}

function showPrompt(prompt) {
  const card = $("prompt");
  const isNew = (prompt?.id ?? "") !== (card.dataset.prompt ?? "");
  if (!isNew) return;
  card.dataset.prompt = prompt?.id ?? "";
  card.hidden = !prompt;
  if (!prompt) return;
  $("asked").textContent = prompt.text;
  const comes = prompt.asks === "come";
  $("done-button").textContent = comes ? "I am here" : "Done";
  $("then").textContent = comes
    ? "From then on nothing is sent until you say that it is done."
    : "Or scan the item, once it stands. Then stand clear: the output goes on.";
  $("until").textContent = `Waits until ${new Date(prompt.until).toLocaleTimeString()}.`;
  $("done-button").disabled = false;
  if (document.activeElement === document.body) $("done-button").focus({ preventScroll: true });
  card.scrollIntoView({ block: "nearest" });
}

async function answer(said) {
  const id = $("prompt").dataset.prompt;
  if (!id) return;
  $("done-button").disabled = true;
  if (await send(here(`/prompts/${id}`), { answer: said })) say("");
  else $("done-button").disabled = false;
}

// Parts that are fetched ready made, each no more often than its pause, and put in place only if new.

function part(id, pause) {
  const place = $(id);
  let running = false;
  let again = false;
  let shown = "";
  const refresh = async () => {
    if (running) {
      again = true;
      return;
    }
    running = true;
    try {
      const answer = await fetch(`/part/${encodeURIComponent(station)}/${id}`);
      const text = answer.ok ? await answer.text() : shown;
      if (text !== shown) {
        const focused = place.contains(document.activeElement) ? document.activeElement.dataset.key : null;
        place.innerHTML = text;
        shown = text;
        if (focused) place.querySelector(`[data-key="${CSS.escape(focused)}"]`)?.focus();
      }
    } catch {
      // The band says that the daemon is gone; the part stays as it was.
    }
    setTimeout(() => {
      running = false;
      if (again) {
        again = false;
        refresh();
      }
    }, pause);
  };
  return refresh;
}

// The scanner: fast characters and Enter, wherever the focus is.

let scanned = "";
let lastKeyAt = 0;

function keyed(event) {
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  const typing = event.target instanceof HTMLInputElement && event.target !== $("serial");
  if (typing || event.target instanceof HTMLSelectElement) return;
  const now = performance.now();
  if (now - lastKeyAt > SCAN_GAP_MS) scanned = "";
  lastKeyAt = now;
  if (event.key.length === 1) {
    scanned += event.key;
    // A blank in a serial is no press of the button that has the focus.
    if (scanned.length > 1 && event.target instanceof HTMLButtonElement) event.preventDefault();
    return;
  }
  if (event.key !== "Enter") return;
  if (event.target === $("serial")) {
    event.preventDefault();
    take($("serial").value);
    $("serial").value = "";
  } else if (scanned.length >= SCAN_LENGTH_MIN) {
    // Not a press of whatever button has the focus.
    event.preventDefault();
    take(scanned);
  }
  scanned = "";
}

// A serial goes to the prompt that waits for it, or else to the list of what is to be measured.
function take(text) {
  const serial = text.trim();
  if (!serial) return;
  if (status?.prompt && status.item) {
    if (serial === status.item) answer("done");
    else say(`${serial} was scanned, but ${status.item} is asked for.`, true);
    return;
  }
  if (chosen().includes(serial)) {
    say(`${serial} is in the list already.`, true);
    return;
  }
  const entry = document.createElement("li");
  const button = document.createElement("button");
  button.type = "button";
  button.className = "small";
  button.dataset.serial = serial;
  button.textContent = `${serial} ✕`;
  button.setAttribute("aria-label", `take ${serial} off the list`);
  button.addEventListener("click", () => {
    entry.remove();
    counted();
  });
  entry.append(button);
  $("chosen").append(entry);
  counted();
  say(`${serial} is in the list.`);
}

const chosen = () => [...$("chosen").querySelectorAll("[data-serial]")].map((button) => button.dataset.serial);

function counted() {
  const count = chosen().length;
  $("start").textContent = count === 0 ? "Measure" : count === 1 ? "Measure 1 item" : `Measure ${count} items`;
}

async function submit(event) {
  event.preventDefault();
  if ($("serial").value.trim()) {
    take($("serial").value);
    $("serial").value = "";
  }
  const form = new FormData($("measure"));
  const text = (name) => (form.get(name) ?? "").trim();
  const kind = text("kind");
  const serials = kind === "reference" ? [] : chosen();
  if (kind !== "reference" && serials.length === 0) {
    say("Scan or type a serial first.", true);
    $("serial").focus();
    return;
  }
  const described = { model: text("model"), lot: text("lot") };
  const body = {
    station,
    kind,
    plan: { name: text("plan") },
    items: serials.map((serial) => ({ serial, ...described })),
    operator: text("operator") || null,
    priority: Number(text("priority") || 0),
    not_before: text("not_before") ? new Date(text("not_before")).toISOString() : null,
    repeat: text("every") ? { every: text("every") } : null,
  };
  if (await send(api("/jobs"), body)) {
    $("chosen").replaceChildren();
    counted();
    say("It is in the queue.");
    try {
      localStorage.setItem("operator", text("operator"));
    } catch {
      // Without storage the name is typed again.
    }
  }
}

function pressed(event) {
  const button = event.target.closest("button[data-change]");
  if (button) send(api(`/jobs/${button.dataset.job}/change`), { do: button.dataset.change });
}

// The band, on every page that has one; answers with the stream it listens to.
function band() {
  const only = stations.length === 1 ? `?station=${encodeURIComponent(station)}` : "";
  const source = new EventSource(api(`/events/stream${only}`));
  source.addEventListener("message", () => {
    heardAt = performance.now();
  });
  source.addEventListener("status", (event) => {
    heardAt = performance.now();
    const state = JSON.parse(event.data);
    states.set(state.station, state);
    showBand();
  });
  setInterval(showBand, 250);
  $("stop").addEventListener("click", stop);
  document.addEventListener(
    "keydown",
    (event) => {
      if (event.key !== "Escape") return;
      event.preventDefault();
      stop();
    },
    true,
  );
  return source;
}

function live(source) {
  const parts = {
    trace: part("trace", TRACE_MS),
    chart: part("chart", CHART_MS),
    queue: part("queue", CHART_MS),
    results: part("results", CHART_MS),
  };
  const all = () => Object.values(parts).forEach((refresh) => refresh());
  source.addEventListener("status", (event) => {
    if (event.data !== heard) parts.trace();
    heard = event.data;
    status = JSON.parse(event.data);
    show();
    if (status.job !== job) {
      job = status.job;
      all();
    }
  });
  source.addEventListener("message", (event) => {
    const { kind } = JSON.parse(event.data);
    parts.chart();
    if (kind !== "reading") {
      parts.queue();
      parts.results();
    }
  });
  source.addEventListener("open", all);
  document.addEventListener("keydown", keyed, true);
  $("done-button").addEventListener("click", () => answer("done"));
  $("continue").addEventListener("click", () => send(here("/continue"), {}));
  $("measure").addEventListener("submit", submit);
  $("queue").addEventListener("click", pressed);
  try {
    $("operator").value = localStorage.getItem("operator") ?? "";
  } catch {
    // Then it is empty.
  }
}

function login() {
  $("login").addEventListener("submit", async (event) => {
    event.preventDefault();
    if (await send(api("/session"), { token: $("token").value })) location.assign("/");
  });
}

const stream = $("band") ? band() : null;
if ($("words")) live(stream);
if ($("login")) login();
