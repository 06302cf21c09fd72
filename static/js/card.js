// A card: its form one decision at a time, what is seen put into words, differences worked out as they are typed.
// Everything works without this, one part under the other.

const form = document.querySelector("form[data-card]");
for (const el of document.querySelectorAll(".scripted-only")) el.hidden = false;
document.querySelector("[data-print]")?.addEventListener("click", () => window.print());

// What was typed outlives a stray touch until the card is saved; a saved card says which drafts are done with.
const draftKey = (name) => `pourbook card ${name}`;
const forget = document.querySelector("[data-forget]")?.dataset.forget;
for (const name of forget && location.hash === "#saved" ? forget.split(" ") : []) sessionStorage.removeItem(draftKey(name));

if (form) {
  const parts = [...form.querySelectorAll("[data-part]")];
  const back = form.querySelector('[data-step="-1"]');
  const next = form.querySelector('[data-step="1"]');
  const save = form.querySelector("[data-save]");
  let here = 0;

  const strip = document.querySelector(".card-strip");
  const middle = (a) => a && (strip.scrollLeft = a.offsetLeft - strip.offsetLeft - (strip.clientWidth - a.offsetWidth) / 2);

  function show(index, focus) {
    here = Math.min(Math.max(index, 0), parts.length - 1);
    parts.forEach((p, i) => (p.hidden = i !== here));
    for (const a of document.querySelectorAll("[data-strip]")) {
      const on = a.dataset.strip === parts[here].id;
      if (on) {
        a.setAttribute("aria-current", "step");
        middle(a);
      } else a.removeAttribute("aria-current");
    }
    back.hidden = here === 0;
    next.hidden = here === parts.length - 1;
    save.classList.toggle("main", next.hidden);
    if (focus) {
      window.scrollTo(0, 0);
      const head = parts[here].querySelector("h2, legend");
      head?.setAttribute("tabindex", "-1");
      head?.focus({ preventScroll: true });
    }
  }

  // The address says which part is shown, so that back goes one part back. It names no element: nothing scrolls there.
  const address = (part) => `#at-${part.id}`;
  for (const a of document.querySelectorAll("[data-strip]")) a.href = `#at-${a.dataset.strip}`;
  const go = (index) => {
    const to = parts[Math.min(Math.max(index, 0), parts.length - 1)];
    if (location.hash === address(to)) show(index, true);
    else location.hash = address(to);
  };
  const named = () => parts.findIndex((p) => address(p) === location.hash || `#${p.id}` === location.hash);
  window.addEventListener("hashchange", () => named() >= 0 && show(named(), true));
  form.addEventListener("click", (e) => {
    const step = e.target.closest("[data-step]");
    if (step) go(here + Number(step.dataset.step));
  });
  form.addEventListener("keydown", (e) => {
    if (e.key !== "Enter" || e.target.localName !== "input" || e.target.type === "file") return;
    e.preventDefault(); // a half-filled card is not saved by a stray Enter
    const fields = [...parts[here].querySelectorAll('input[type="text"]')];
    const after = fields[fields.indexOf(e.target) + 1];
    if (after && fields.includes(e.target)) after.focus();
    else next.hidden ? save.focus() : go(here + 1);
  });

  // A side in words: what is off, and how much, as each step is named.
  function say(side) {
    const off = [...side.querySelectorAll(".card-axis input:checked")].filter((i) => i.value !== "0").map((i) => i.getAttribute("aria-label"));
    const used = side.querySelector("[data-used]");
    side.querySelector("[data-words]").textContent = !used.checked ? "not looked at" : off.join(", ") || "match";
    side.toggleAttribute("data-off", !used.checked);
  }
  const sides = [...form.querySelectorAll("[data-side]")];
  sides.forEach(say);
  form.addEventListener("change", (e) => {
    const side = e.target.closest("[data-side]");
    if (!side) return;
    const used = side.querySelector("[data-used]");
    if (e.target === used && !used.checked) {
      for (const zero of side.querySelectorAll('.card-axis input[value="0"]')) zero.checked = true;
    } else used.checked = true;
    say(side);
  });

  const notFinal = form.querySelector(".card-notfinal");
  const final = () => form.elements.cleared.value === "yes" && form.elements.dry.value === "yes";
  const settle = () => (notFinal.style.visibility = final() ? "hidden" : "visible");
  form.addEventListener("change", settle);

  let latest = 0;
  let timer;
  async function look() {
    const mine = ++latest;
    const query = new URLSearchParams({ part: "readings" });
    for (const f of form.querySelectorAll("[data-figure]")) if (f.value.trim()) query.set(f.name, f.value.slice(0, 60));
    let answer;
    try {
      answer = await fetch(`${new URL(form.action).pathname}?${query}`);
    } catch {
      return; // the network is away: the server works it out when the card is saved
    }
    if (mine !== latest || !answer.ok) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    for (const out of fresh.querySelectorAll("output")) document.getElementById(out.id)?.replaceWith(out);
  }
  form.addEventListener("input", (e) => {
    if (!e.target.matches("[data-figure]")) return;
    clearTimeout(timer);
    timer = setTimeout(look, 150);
  });

  const words = () => [...new FormData(form)].filter(([name, value]) => typeof value === "string" && name !== "opened" && name !== "kept_photo");
  const draft = form.dataset.draft;
  const untouched = JSON.stringify(words());
  if (draft) {
    try {
      const kept = JSON.parse(sessionStorage.getItem(draftKey(draft)) || "null");
      for (const box of kept ? form.querySelectorAll('input[type="checkbox"]') : []) box.checked = false;
      for (const [name, value] of kept || []) {
        for (const el of form.querySelectorAll(`[name="${CSS.escape(name)}"]`)) {
          if (el.type === "radio") el.checked = el.value === value;
          else if (el.type === "checkbox") el.checked = true;
          else if (el.type !== "file") el.value = value;
        }
      }
      if (kept) {
        sides.forEach(say);
        look();
      }
    } catch {
      sessionStorage.removeItem(draftKey(draft));
    }
  }
  const keep = () => {
    const now = JSON.stringify(words());
    if (now !== untouched) sessionStorage.setItem(draftKey(draft || new URL(form.action).pathname), now);
  };
  form.addEventListener("input", keep);
  form.addEventListener("change", keep);
  form.addEventListener("submit", () => setTimeout(() => (save.disabled = true)));
  window.addEventListener("pageshow", () => (save.disabled = false));

  settle();
  const wrong = parts.findIndex((p) => p.querySelector(".problem"));
  show(wrong >= 0 ? wrong : Math.max(named(), 0), false);
  document.fonts.ready.then(() => middle(strip.querySelector("[aria-current]")));
}
