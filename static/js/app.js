// Loaded on every page: marks that scripts run, and keeps pot-life clocks counting.

document.documentElement.classList.add("scripted");

function clocks() {
  const now = Date.now() / 1000;
  for (const el of document.querySelectorAll("[data-ends]")) {
    const out = el.querySelector("[data-clock]");
    if (!out || el.dataset.ends === "0") continue;
    const left = Math.round((Number(el.dataset.ends) - now) / 60);
    out.textContent = left > 0 ? `${left} min left` : `past its pot life by ${-left} min`;
  }
}
clocks();
setInterval(clocks, 10_000);
document.addEventListener("pourbook:stage", clocks);
