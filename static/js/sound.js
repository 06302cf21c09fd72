// A sound that closes in like a parking aid: nothing far from the stop, quicker beeps towards it, a long tone at it, two
// low ones beyond. Off until somebody switches it on at this tablet; what the tablet remembers is a word in its own store.

const KEY = "pourbook.sound";
let audio;
let next = 0; // when the next beep is due, milliseconds
let stopped = ""; // the zone whose last tone was given

function on() {
  try {
    return localStorage.getItem(KEY) === "on";
  } catch {
    return false; // a browser that keeps nothing
  }
}

// A browser lets a page sound only after a touch.
function wake() {
  if (!on()) return;
  audio ??= new AudioContext();
  if (audio.state === "suspended") audio.resume();
}

function beep(pitch, seconds, after = 0) {
  if (audio?.state !== "running") return;
  const tone = audio.createOscillator();
  const loud = audio.createGain();
  const from = audio.currentTime + after;
  tone.frequency.value = pitch;
  loud.gain.setValueAtTime(0, from);
  loud.gain.linearRampToValueAtTime(0.2, from + 0.01);
  loud.gain.setValueAtTime(0.2, from + seconds - 0.02);
  loud.gain.linearRampToValueAtTime(0, from + seconds);
  tone.connect(loud).connect(audio.destination);
  tone.start(from);
  tone.stop(from + seconds);
}

// pause returns the milliseconds from one beep to the next: 900 where it begins, 120 just before the stop.
export function pause(near) {
  return 120 + 780 * (1 - near) ** 2;
}

document.addEventListener("pourbook:reading", ({ detail: r }) => {
  if (!on() || !document.querySelector(".pouring") || r.ask || r.lost || r.trouble) return;
  if (r.zone === "stop" || r.zone === "over") {
    if (stopped === r.zone) return;
    stopped = r.zone;
    if (r.zone === "stop") beep(990, 0.6);
    else { beep(440, 0.3); beep(440, 0.3, 0.4); }
    return;
  }
  stopped = "";
  if (!(r.near > 0) || performance.now() < next) return;
  next = performance.now() + pause(r.near);
  beep(880, 0.08);
});

// The switch, on the page of what is rarely needed.
function label(button) {
  button.querySelector("strong").textContent = on() ? "Switch the sound off" : "Switch the sound on";
  button.setAttribute("aria-pressed", String(on()));
}
for (const button of document.querySelectorAll("[data-sound]")) {
  button.hidden = false;
  label(button);
  button.addEventListener("click", () => {
    try {
      localStorage.setItem(KEY, on() ? "off" : "on");
    } catch { /* it is on for nobody then */ }
    label(button);
    wake();
    if (on()) beep(880, 0.15);
  });
}
document.addEventListener("pointerdown", wake);
document.addEventListener("keydown", wake);
