// One cup on one screen. The stage comes whole from the server; readings only move what is marked data-live.
// A tap gets its own name here and is kept until the server has answered, so that it is booked once or shown as lost.

const bench = document.getElementById("bench");
const lost = document.getElementById("lost");
const readingsOnly = bench?.hasAttribute("data-readings-only");
const SILENCE = 2000; // milliseconds without a word from the server until the screen says so

const shapes = {
  pour: '<path d="M3 3 H37 L20 38 Z" fill="currentColor"/>',
  slowly: '<path d="M8 2 H32 L20 18 Z M8 21 H32 L20 37 Z" fill="currentColor"/>',
  stop: '<rect x="4" y="4" width="32" height="32" fill="currentColor"/>',
  over: '<path d="M20 5 L37 36 H3 Z" fill="none" stroke="currentColor" stroke-width="5" stroke-linejoin="round"/>',
  lost: '<circle cx="20" cy="20" r="15" fill="none" stroke="currentColor" stroke-width="5" stroke-dasharray="14 9"/>',
  lifted: '<path d="M5 4 L9 36 H31 L35 4" fill="none" stroke="currentColor" stroke-width="4.5" stroke-linejoin="round"/>',
};

let source;
let heard = Date.now();
let newest = null; // the last reading
let deferred = null; // a tap that waits for the display to stand still
let pending = []; // taps that the server has not answered yet

const live = (name) => document.querySelector(`[data-live="${name}"]`);
function text(name, value) {
  const el = live(name);
  if (el && el.textContent !== value) el.textContent = value;
}

function show(reading) {
  newest = reading;
  document.dispatchEvent(new CustomEvent("pourbook:reading", { detail: reading }));
  text("reads", reading.reads);
  const trouble = live("trouble");
  if (trouble) {
    trouble.hidden = !reading.trouble;
    if (reading.trouble) text("trouble", reading.trouble);
  }
  for (const input of document.querySelectorAll('input[name="serial"]')) input.value = reading.serial;
  if (deferred && !reading.moving) {
    const { form, button } = deferred;
    deferred = null;
    if (form.isConnected) queue(form, button);
  }
  const stage = document.querySelector(".pouring");
  if (!stage) return;
  text("left", reading.left);
  text("word", reading.word);
  text("net", reading.net);
  text("caption", reading.zone === "over" ? "grams over" : "grams still to pour");
  if (stage.dataset.zone !== reading.zone) {
    stage.dataset.zone = reading.zone;
    const svg = live("shape")?.querySelector("svg");
    if (svg) {
      svg.innerHTML = shapes[reading.zone] || "";
      svg.dataset.shape = reading.zone;
    }
  }
  const level = live("level");
  if (level && reading.level) {
    const from = Number(level.dataset.from);
    level.setAttribute("y", reading.level);
    level.setAttribute("height", Math.max(0, from - reading.level));
    live("levelline").setAttribute("y1", reading.level);
    live("levelline").setAttribute("y2", reading.level);
    live("mag")?.setAttribute("y", reading.mag);
    live("mag")?.setAttribute("height", Math.max(0, 316 - reading.mag));
  }
  const go = live("go");
  if (go) {
    go.disabled = !reading.enough;
    go.classList.toggle("main", reading.enough);
    text("golabel", reading.zone === "over" ? "Over: how to go on" : go.dataset.next);
  }
  const grace = live("grace");
  if (grace) {
    grace.hidden = !(reading.grace > 0);
    text("seconds", String(Math.ceil(reading.grace)));
  }
  ask(reading.ask);
  for (const [name, on] of [["drip", reading.drip], ["confirm", reading.confirm], ["middle", reading.middle]]) {
    for (const el of document.querySelectorAll(`[data-when="${name}"]`)) el.hidden = !on;
  }
}

// ask shows what no pour explains. Its buttons stay as they are while the question is the same one, so that a finger that
// is on its way meets the button that it aimed at.
function ask(question) {
  const form = live("ask");
  if (!form) return;
  form.hidden = !question;
  if (!question) return;
  text("say", question.say);
  if (form.dataset.no === String(question.no)) return;
  form.dataset.no = question.no;
  form.querySelector('[name="asked"]').value = question.no;
  live("answers").replaceChildren(...question.answers.map(({ cause, label }) => {
    const e = document.createElement(cause === "cup" ? "a" : "button");
    e.className = "button";
    e.textContent = label;
    if (cause === "cup") e.href = `/batch/${form.dataset.batch}/moved?asked=${question.no}`;
    else Object.assign(e, { name: "cause", value: cause });
    return e;
  }));
}

function stage(markup) {
  if (readingsOnly) return;
  const typed = document.getElementById("typed")?.value;
  const step = document.querySelector('input[name="step"]')?.value;
  const focus = document.activeElement?.dataset?.live;
  bench.innerHTML = markup;
  deferred = null;
  const field = document.getElementById("typed");
  if (field && typed && document.querySelector('input[name="step"]')?.value === step) field.value = typed;
  if (focus) live(focus)?.focus();
  keypads();
  follow();
  if (newest) for (const input of document.querySelectorAll('input[name="serial"]')) input.value = newest.serial;
  document.dispatchEvent(new Event("pourbook:stage"));
}

// connect opens the one stream of this tab. The browser reconnects by itself after a fault; a closed stream, a sleeping
// tab and a long silence need a new one.
function connect() {
  source?.close();
  source = new EventSource(bench.dataset.stream);
  source.addEventListener("state", (e) => { alive(); stage(e.data); });
  source.addEventListener("reading", (e) => { alive(); show(JSON.parse(e.data)); });
  source.addEventListener("alive", alive);
}
function alive() {
  heard = Date.now();
  if (lost && !lost.hidden) {
    lost.hidden = true;
    send();
  }
}

function watch() {
  if (document.hidden) return;
  const silent = Date.now() - heard;
  if (silent > SILENCE && lost) {
    lost.hidden = false;
    const kept = pending.length ? ` ${pending.length} tap${pending.length > 1 ? "s are" : " is"} kept and sent on return.` : "";
    lost.querySelector("[data-lost]").textContent = `No network. The cup is safe; carry on by the scale.${kept}`;
  }
  if (silent > SILENCE && (source.readyState === EventSource.CLOSED || silent > 3 * SILENCE)) {
    heard = Date.now() - SILENCE - 1;
    connect();
  }
}

// send posts the kept taps in order. A refusal is an answer too: the sentence is shown and the tap is done with.
let sending = false;
async function send() {
  if (sending) return;
  sending = true;
  try {
    while (pending.length) {
      const tap = pending[0];
      let answer;
      try {
        answer = await fetch(tap.url, { method: "POST", body: tap.body, headers: { Accept: "application/json" } });
      } catch {
        return; // still away; alive() tries again
      }
      pending.shift();
      const said = await answer.json().catch(() => ({}));
      if (!answer.ok) {
        say(said.problem || "That was not booked.");
        if (bench) connect(); // show the cup as it is
      } else if (said.go && (said.go !== location.pathname || readingsOnly)) {
        location.assign(said.go);
        return;
      }
    }
  } finally {
    sending = false;
    for (const b of document.querySelectorAll(".button.sent")) b.classList.remove("sent", "wait");
  }
}

let saying;
function say(sentence) {
  let box = document.getElementById("said");
  if (!box) {
    box = document.createElement("div");
    box.id = "said";
    box.className = "lost";
    box.setAttribute("role", "alert");
    box.addEventListener("click", () => box.remove());
    document.body.append(box);
  }
  box.textContent = sentence;
  clearTimeout(saying);
  saying = setTimeout(() => box.remove(), 6000);
}

document.addEventListener("submit", (e) => {
  const form = e.target;
  if (!form.matches("form[data-tap]")) return;
  e.preventDefault();
  const button = e.submitter;
  if (!form.hasAttribute("data-quiet")) {
    if (button?.classList.contains("sent")) return; // the same tap, still on its way
    button?.classList.add("sent", "wait");
  }
  if (newest?.moving && form.matches("[data-pour], [data-settled]")) {
    deferred = { form, button }; // a tap names a settled reading: it goes out with the first one
    return;
  }
  queue(form, button);
});

function queue(form, button) {
  const body = new URLSearchParams(new FormData(form, button));
  body.set("id", tapID());
  pending.push({ url: form.getAttribute("action"), body }); // form.action is the field of that name
  send();
}

// tapID makes a UUID of version 7 (RFC 9562): its time comes first, so that the book's index grows at its end.
function tapID() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  let time = Date.now();
  for (let i = 5; i >= 0; i--) {
    bytes[i] = time % 256;
    time = Math.floor(time / 256);
  }
  bytes[6] = (bytes[6] & 0x0f) | 0x70;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
}

function keypads() {
  for (const pad of document.querySelectorAll("[data-keypad]")) {
    const keys = pad.querySelector(".keys");
    if (!keys || !keys.hidden) continue;
    keys.hidden = false;
    const input = pad.querySelector("input");
    keys.addEventListener("click", (e) => {
      const key = e.target.closest("[data-key]")?.dataset.key;
      if (!key) return;
      input.value = key === "⌫" ? input.value.slice(0, -1) : input.value + key;
    });
  }
}

// The button of a choice says what will happen.
function follow() {
  const button = document.querySelector('[data-follow="choice"]');
  if (!button) return;
  const set = () => {
    const chosen = document.querySelector('input[name="choice"]:checked');
    if (chosen) button.textContent = chosen.dataset.title;
  };
  document.querySelector(".ways").addEventListener("change", set);
  set();
}

if (bench) {
  connect();
  setInterval(watch, 500);
  addEventListener("online", () => connect());
  addEventListener("pageshow", (e) => { if (e.persisted) connect(); });
  addEventListener("pagehide", () => source?.close());
  document.addEventListener("visibilitychange", () => { if (!document.hidden) connect(); });
}
keypads();
follow();
