// Works a plan out again while its form is being filled in, by fetching the same page's plan part.

const form = document.querySelector("form[data-mix]");
const plan = document.getElementById("plan");
let latest = 0;
let timer;

async function look() {
  const mine = ++latest;
  const query = new URLSearchParams(new FormData(form));
  query.delete("id");
  query.set("part", "plan");
  const path = form.dataset.look || new URL(form.action).pathname;
  let answer;
  try {
    answer = await fetch(`${path}?${query}`);
  } catch {
    return; // the network is away: what stands is still true for what was typed before
  }
  if (mine !== latest || !answer.ok) return;
  const override = form.querySelector("[name=override]")?.checked;
  plan.innerHTML = await answer.text();
  const again = form.querySelector("[name=override]");
  if (again && override) again.checked = true;
  const input = form.querySelector("#amount");
  if (input) {
    input.removeAttribute("aria-invalid");
    document.getElementById("amount-problem")?.remove();
  }
}

form?.addEventListener("input", (e) => {
  if (e.target.name === "override") return;
  clearTimeout(timer);
  timer = setTimeout(look, 150);
});
form?.querySelector("#amount")?.select();
