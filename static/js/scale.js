// The set-up page shows what the scale sends, what was understood and how long ago, twice a second.

const box = document.querySelector("[data-scale-now]");
const put = (name, value) => {
  const e = box.querySelector(`[data-now="${name}"]`);
  if (e && e.textContent !== value) e.textContent = value;
};

async function look() {
  if (document.hidden) return;
  let now;
  try {
    const answer = await fetch("/scale/now", { headers: { Accept: "application/json" } });
    if (!answer.ok) throw new Error(answer.status);
    now = await answer.json();
  } catch {
    now = { raw: "", says: "", age: "", lost: "No network. This page shows nothing new.", lines: [] };
  }
  for (const name of ["raw", "says", "age", "lost"]) put(name, now[name]);
  const lost = box.querySelector('[data-now="lost"]');
  if (lost) lost.hidden = !now.lost;
  const list = box.querySelector("[data-now-lines]");
  list?.replaceChildren(...(now.lines || []).map(({ raw, says }) => {
    const li = document.createElement("li");
    const code = document.createElement("code");
    code.className = "raw";
    code.textContent = raw;
    const said = document.createElement("span");
    said.textContent = says;
    li.append(code, said);
    return li;
  }));
  const sample = document.querySelector('[name="sample"]');
  if (sample && !sample.value && now.raw) sample.value = now.raw;
}

if (box?.querySelector("[data-now]")) setInterval(look, 500);
