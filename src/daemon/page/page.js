// What moves on the page. Everything else is made by the daemon; nothing here is needed to read the history, or to stop.
//
// States come as server-sent events; parts that are pictures or lists are fetched as they are, ready made.
// A state that is older than LOST_MS is not believed: the band then says that it does not know.

const LOST_MS = 5000;
// An output that goes on and off many times a second is shown as on: never too little, and nothing flashes.
const HOLD_MS = 2000;
const TRACE_MS = 500;
const CHART_MS = 1000;
// STOP is sent again and again until the source is confirmed off.
const STOP_PAUSE_MS = 1000;
const STOP_WAIT_MS = 3000;
// How long anything else may take.
const SEND_WAIT_MS = 10000;
// A prompt that has just come takes no answer: what comes at once was meant for what was there before.
const SETTLE_MS = 1000;
// How long the second press may come after the first.
const ARMED_MS = 5000;

const $ = (id) => document.getElementById(id);
const pause = (ms) => new Promise((done) => setTimeout(done, ms));
const all = JSON.parse(document.body.dataset.stations ?? "[]");
// On a station's own page the band and its button are about that station, elsewhere about all.
const station = document.body.dataset.own;
const banded = station === undefined ? all : [station];
const api = (path) => `/api/v1${path}`;
const at = (name, path) => api(`/stations/${encodeURIComponent(name)}${path}`);
const here = (path) => at(station, path);

const states = new Map();
const onAt = new Map();
let status = null;
let heardAt = -Infinity;
let job = null;

// What this browser remembers; without storage this page does, as long as it is open.
const memory = new Map();
const kept = {
  get: (key) => {
    try {
      return localStorage.getItem(key);
    } catch {
      return memory.get(key) ?? null;
    }
  },
  set: (key, value) => {
    memory.set(key, value);
    try {
      localStorage.setItem(key, value);
    } catch {
      // Then it is asked again on the next page.
    }
  },
};

function say(text, bad = false) {
  const line = $("said");
  line.textContent = text;
  line.classList.toggle("message", bad);
}

async function send(path, body, wait_ms = SEND_WAIT_MS) {
  try {
    const answer = await fetch(path, {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify(body),
      keepalive: true,
      signal: AbortSignal.timeout(wait_ms),
    });
    if (answer.ok) return { ok: true };
    const problem = await answer.json().catch(() => ({}));
    return { status: answer.status, said: problem.detail ?? `The daemon answered ${answer.status}.` };
  } catch (error) {
    return { status: 0, said: error.name === "TimeoutError" ? "The daemon has not answered yet." : "The daemon cannot be reached." };
  }
}

// The same, with what went wrong on the page.
async function sent(path, body) {
  const answer = await send(path, body);
  if (!answer.ok) say(answer.said, true);
  return answer.ok ?? false;
}

// STOP.

const stopping = new Map();

function showStopping() {
  $("stop").setAttribute("aria-busy", String(stopping.size > 0));
  $("stopped").textContent = [...stopping.values()].join(" ");
  $("stopped").hidden = stopping.size === 0;
}

// No use to try again: who asks may not, or there is no such station.
const isRefused = ({ status }) => status >= 400 && status < 500 && status !== 408 && status !== 429;

async function stopOne(name) {
  if (stopping.has(name)) {
    // A further press is sent at once.
    send(at(name, "/stop"), {}, STOP_WAIT_MS);
    return;
  }
  stopping.set(name, `${name}: stopping.`);
  for (let tries = 1; ; tries += 1) {
    showStopping();
    const again = pause(STOP_PAUSE_MS);
    const answer = await send(at(name, "/stop"), {}, STOP_WAIT_MS);
    if (answer.ok) break;
    const next = isRefused(answer) ? "Not tried again." : `Asked ${tries === 1 ? "once" : `${tries} times`}, asking again until it is confirmed: leave this page open.`;
    stopping.set(name, `${name}: ${answer.said} Take the output for on: switch the source off by hand. ${next}`);
    if (isRefused(answer)) return showStopping();
    await again;
  }
  stopping.delete(name);
  showStopping();
  $("announce").textContent = `${name}: stopped. The source confirmed that its output is off.`;
}

const stop = (names) => names.forEach(stopOne);

// The band, and the strip of all stations under it.

// From what is best to know to what is worst; of several stations the worst counts.
const ORDER = ["off", "armed", "on", "unknown"];
const SHORT = { off: "output off", armed: "about to transmit", on: "transmitting", unknown: "state unknown" };

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

let transmitted = "";

function showBand() {
  const now = performance.now();
  let doubt = "Take the output for on: no word from the daemon.";
  let confirmed = "";
  for (const name of all) if (states.get(name)?.output.state === "on") onAt.set(name, now);
  for (const name of banded) {
    const output = states.get(name)?.output;
    const prefix = banded.length > 1 ? `${name}: ` : "";
    if (output?.state === "unknown" && now - heardAt <= LOST_MS) doubt = `${prefix}Take the output for on: switch the source off by hand, then press Stop. What is known: ${output.why}.`;
    if (output?.state === "off") confirmed = `${prefix}Confirmed off at ${new Date(output.confirmed).toLocaleTimeString()}.`;
    if (output?.state !== "on") continue;
    const { frequency_hz, level_dbm, feed_dbm } = output;
    transmitted = `${prefix}${hertz(frequency_hz)} at ${level_dbm.toFixed(1)} dBm, ${feed_dbm.toFixed(1)} dBm into the antenna`;
  }
  const order = banded.map((name) => ORDER.indexOf(stateOf(name, now)));
  const state = ORDER[Math.max(...order)];
  const words = {
    on: ["Transmitting", transmitted],
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
  showStrip(now);
}

const title = document.title;

function showStrip(now) {
  for (const chip of document.querySelectorAll("#strip [data-station]")) {
    const name = chip.dataset.station;
    const asks = states.get(name)?.prompt != null;
    const state = stateOf(name, now);
    const words = SHORT[state] + (asks ? ", operator needed" : "");
    chip.dataset.state = state;
    chip.classList.toggle("asks", asks);
    // The only station's own page says it all already.
    chip.hidden = all.length === 1 && (!asks || station !== undefined);
    const shown = chip.querySelector(".now");
    if (shown.textContent !== words) shown.textContent = words;
  }
  const asking = all.filter((name) => states.get(name)?.prompt != null);
  const wanted = asking.length > 0 ? `\u25cf Operator needed: ${asking.join(", ")} · ${title}` : title;
  if (document.title !== wanted) document.title = wanted;
}

// The sound of a prompt. A browser plays none before the first press or key on the page.

let audio = null;

const isLoud = () => kept.get("sound") !== "off";

function showSound() {
  $("sound").hidden = false;
  $("sound").textContent = !isLoud() ? "Sound: off" : audio?.state === "running" ? "Sound: on" : "Sound: on after a click";
}

async function wakeSound() {
  if (!isLoud() || audio?.state === "running" || !("AudioContext" in window)) return;
  audio ??= new AudioContext();
  await audio.resume();
  showSound();
}

function play(...tones_hz) {
  if (!isLoud() || audio?.state !== "running") return;
  tones_hz.forEach((tone_hz, n) => {
    const [tone, loudness] = [audio.createOscillator(), audio.createGain()];
    tone.frequency.value = tone_hz;
    const begin = audio.currentTime + n * 0.25;
    loudness.gain.setValueAtTime(0.25, begin);
    loudness.gain.exponentialRampToValueAtTime(0.001, begin + 0.22);
    tone.connect(loudness).connect(audio.destination);
    tone.start(begin);
    tone.stop(begin + 0.24);
  });
}

// Of several tabs one is heard: the first that can.
function ring(prompt) {
  if (audio?.state !== "running" || kept.get("rung") === prompt.id) return;
  kept.set("rung", prompt.id);
  play(660, 880);
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

// The prompt. Where an item was placed, its serial confirms it, scanned or typed; else two presses, of two buttons.
// Nothing here ever takes the focus.

let prompt = null;
let shownAt = 0;
let timer = 0;
let answered = "";
let isAnswering = false;
// The prompt went in the middle of a line: the rest of it is for nobody.
let isTorn = false;
// The serial that was read last for a prompt, and was right.
let confirmed;

const isSettling = () => performance.now() - shownAt < SETTLE_MS;

function showPrompt(wanted) {
  // One that was just answered may be in the status for a moment.
  const next = wanted?.id === answered ? null : wanted;
  if (next?.id === prompt?.id) return;
  prompt = next;
  $("prompt").hidden = !prompt;
  isTorn = $("scan").value !== "";
  $("scan").value = "";
  $("refused").hidden = true;
  if (!prompt) return;
  const comes = prompt.asks === "come";
  $("asked").textContent = prompt.text;
  $("scanned").hidden = !prompt.item;
  $("item").textContent = prompt.item ?? "";
  $("warning").textContent = comes
    ? "Press when you stand at the station. From then on nothing is sent until you say that it is done."
    : `Confirm ${prompt.item ? "when the item is closed" : "when it is done"} and everybody is clear. Transmission starts at once.`;
  $("done-button").textContent = comes ? "I am here" : "Done";
  $("go-button").hidden = comes;
  $("until").textContent = `Waits until ${new Date(prompt.until).toLocaleTimeString()}.`;
  shownAt = performance.now();
  disarm();
  $("prompt").scrollIntoView({ block: "nearest" });
}

// A button that has the focus and takes no press would keep keys from everybody else.
function enable(id, isEnabled) {
  $(id).disabled = !isEnabled;
  if (!isEnabled) $(id).blur();
}

function disarm() {
  clearTimeout(timer);
  if (isSettling()) timer = setTimeout(disarm, SETTLE_MS);
  enable("done-button", !isSettling());
  enable("go-button", false);
  $("armed").textContent = "";
}

function arm() {
  enable("done-button", false);
  enable("go-button", true);
  $("armed").textContent = "Press Start transmitting within 5 s.";
  clearTimeout(timer);
  timer = setTimeout(disarm, ARMED_MS);
}

function refuse(text) {
  play(220, 220, 220);
  $("refused").hidden = false;
  $("refused").textContent = text;
  $("refused").scrollIntoView({ block: "nearest" });
}

// Serial as it was read; none for a press.
async function answer(serial) {
  if (!prompt || isAnswering) return;
  const { id } = prompt;
  isAnswering = true;
  disarm();
  const reply = serial === undefined ? { answer: "done" } : { answer: "done", serial };
  const { ok, said } = await send(here(`/prompts/${id}`), reply);
  isAnswering = false;
  if (!ok) return refuse(said);
  answered = id;
  confirmed = serial;
  if (prompt?.id === id) showPrompt(null);
  say("");
}

function pressedDone() {
  if (isSettling()) return;
  if (prompt?.asks === "come") answer();
  else arm();
}

function read(line) {
  const serial = line.trim();
  disarm();
  if (!serial) refuse("Nothing was read. Scan again, or type the serial.");
  else if (isSettling()) refuse(`${serial} was read before anything could be placed. Scan it again when it is in place.`);
  else answer(serial);
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

// A scanner types a serial, at any speed, and then Enter. What no field takes goes to the field of the prompt that asks
// for an item, or else to the list's: whole lines only.

const BUTTONS = ["button", "checkbox", "radio", "submit"];
const isField = (element) => (element instanceof HTMLInputElement && !BUTTONS.includes(element.type)) || element instanceof HTMLTextAreaElement;
const isEdited = (element) => isField(element) || element instanceof HTMLSelectElement;

function keyed(event) {
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  const isElsewhere = !isEdited(event.target);
  const field = isElsewhere ? $(prompt?.item ? "scan" : "serial") : event.target;
  const isLine = field === $("scan") || field === $("serial");
  const isPress = event.key === " " || event.key === "Enter";
  if (isTorn && isElsewhere && (event.key.length === 1 || isPress)) {
    event.preventDefault();
    if (event.key !== "Enter") return;
    isTorn = false;
    return say("The prompt went in the middle of a scan, which was dropped.", true);
  }
  if (isElsewhere && isPress && (event.repeat || field.value)) event.preventDefault();
  // A key that is held down is one press.
  if (isElsewhere && isPress && event.repeat) return;
  if (event.key === "Enter") {
    // With nothing read, Enter presses what has the focus.
    if (!isLine || (isElsewhere && !field.value)) return;
    event.preventDefault();
    const line = field.value;
    field.value = "";
    if (field === $("scan")) read(line);
    else take(line, isElsewhere);
  } else if (isElsewhere && event.key.length === 1 && (field.value || event.key !== " ")) {
    event.preventDefault();
    disarm();
    field.value += event.key;
  }
}

// A serial for the list of what is to be measured.
function take(text, isScanned = false) {
  const serial = text.trim();
  if (!serial) return;
  // A scanner that reads twice.
  if (isScanned && serial === confirmed) {
    say(`${serial} was confirmed already. To measure it once more, scan or type it in the field.`, true);
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

// The cautions, read once a day at this browser.

const today = () => new Date().toDateString();
const isCautioned = () => kept.get("cautioned") === today();

function showCaution() {
  $("cautioned").checked = isCautioned();
  $("caution").hidden = isCautioned();
}

// Whether something that may transmit can be asked for.
function mayAsk() {
  if (isCautioned()) return true;
  showCaution();
  say("Read the cautions and tick them first. They are asked for once a day.", true);
  $("cautioned").focus();
  return false;
}

async function submit(event) {
  event.preventDefault();
  if (!mayAsk()) return;
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
  if (await sent(api("/jobs"), body)) {
    $("chosen").replaceChildren();
    counted();
    say("It is in the queue.");
    kept.set("operator", text("operator"));
  }
}

function pressed(event) {
  const button = event.target.closest("button[data-change]");
  if (!button || (["continue", "retry"].includes(button.dataset.change) && !mayAsk())) return;
  sent(api(`/jobs/${button.dataset.job}/change`), { do: button.dataset.change });
}

// The band, on every page that has one.

const hearers = [];

function hear({ kind, data, age }) {
  heardAt = Math.max(heardAt, performance.now() - age);
  if (kind === "status") {
    states.set(data.station, data);
    if (data.prompt) ring(data.prompt);
    showBand();
  }
  hearers.forEach((hearer) => hearer(kind, data));
}

// The stream of this tab alone, as long as it is looked at.
async function followAlone() {
  const { follow } = await import(document.body.dataset.stream);
  let end = null;
  const see = () => {
    if (document.hidden === (end === null)) return;
    if (document.hidden) {
      end();
      end = null;
    } else end = follow(hear);
  };
  document.addEventListener("visibilitychange", see);
  see();
}

// The stream of all tabs of this browser.
function listen() {
  if (!("SharedWorker" in window)) return followAlone();
  const join = () => {
    const worker = new SharedWorker(document.body.dataset.stream, { type: "module", name: "muffle events" });
    worker.addEventListener("error", followAlone, { once: true });
    worker.port.addEventListener("message", (event) => hear(event.data));
    worker.port.start();
    return worker.port;
  };
  let port = join();
  addEventListener("pagehide", () => port.postMessage("gone"));
  addEventListener("pageshow", (event) => {
    if (event.persisted) port = join();
  });
}

function band() {
  listen();
  setInterval(showBand, 250);
  $("stop-form").addEventListener("submit", (event) => {
    event.preventDefault();
    stop(event.submitter?.value ? [event.submitter.value] : all);
  });
  document.addEventListener(
    "keydown",
    (event) => {
      if (event.key !== "Escape" || event.repeat) return;
      // In a field Esc leaves the field; outside it stops.
      if (isEdited(event.target)) return event.target.blur();
      event.preventDefault();
      stop(banded);
    },
    true,
  );
  for (const kind of ["pointerdown", "keydown"]) document.addEventListener(kind, wakeSound, true);
  $("sound").addEventListener("click", () => {
    kept.set("sound", isLoud() ? "off" : "on");
    wakeSound();
    showSound();
  });
  showSound();
}

function live() {
  const parts = {
    trace: part("trace", TRACE_MS),
    chart: part("chart", CHART_MS),
    queue: part("queue", CHART_MS),
    results: part("results", CHART_MS),
  };
  const refreshAll = () => Object.values(parts).forEach((refresh) => refresh());
  hearers.push((kind, data) => {
    if (kind === "open") return refreshAll();
    if (data.station !== station) return;
    if (kind === "event") {
      parts.chart();
      if (data.kind === "reading") return;
      parts.queue();
      parts.results();
      return;
    }
    if (data.at !== status?.at) parts.trace();
    status = data;
    show();
    if (status.job === job) return;
    job = status.job;
    refreshAll();
  });
  refreshAll();
  document.addEventListener("keydown", keyed, true);
  $("done-button").addEventListener("click", pressedDone);
  $("go-button").addEventListener("click", () => answer(prompt?.item ?? undefined));
  $("continue").addEventListener("click", () => mayAsk() && sent(here("/continue"), {}));
  $("cautioned").addEventListener("change", () => {
    kept.set("cautioned", $("cautioned").checked ? today() : "");
    showCaution();
  });
  showCaution();
  $("measure").addEventListener("submit", submit);
  $("queue").addEventListener("click", pressed);
  $("operator").value = kept.get("operator") ?? "";
}

function login() {
  $("login").addEventListener("submit", async (event) => {
    event.preventDefault();
    if (await sent(api("/session"), { token: $("token").value })) location.assign("/");
  });
}

if ($("words")) live();
if ($("band")) band();
if ($("login")) login();
