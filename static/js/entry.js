// Typing a formula from paper: toners complete from the shelf, Enter goes from amount to the next toner, and the
// server works out, by the rules by which it will keep the list, what each line comes to.

const form = document.querySelector("[data-entry]");
const body = form && form.querySelector("[data-rows]");

if (form) {
  const first = form.querySelector("[aria-invalid=true]");
  if (first) {
    const folded = first.closest("details");
    if (folded) folded.open = true;
    first.focus();
  }
}
if (body) startList();
for (const field of document.querySelectorAll("input[name=swatch]")) colourField(field);

function startList() {
  const complete = new Completion();
  const typing = new WeakSet(); // lines that are being changed: not wrong yet
  for (const field of body.querySelectorAll("[data-toner]")) complete.adopt(field);
  const spare = body.lastElementChild.cloneNode(true);
  clear(spare);
  trim();
  number();

  form.addEventListener("input", (event) => {
    if (event.target.matches("[data-toner]")) complete.ask(event.target);
    touched(event.target);
    grow();
    later();
  });
  form.addEventListener("change", later);
  body.addEventListener("focusout", (event) => {
    if (event.target.matches("[data-toner]")) complete.close();
    const row = event.target.closest("[data-row]");
    if (row && !row.contains(event.relatedTarget)) typing.delete(row);
    later();
  });
  body.addEventListener("keydown", (event) => {
    const field = event.target;
    if (field.matches("[data-toner]") && complete.key(event)) return;
    if (event.key === "Enter" && (field.matches("[data-toner]") || field.matches("[data-amount]"))) {
      event.preventDefault();
      const row = field.closest("[data-row]");
      if (field.matches("[data-toner]")) {
        focus(row.querySelector("[data-amount]"));
      } else {
        grow();
        const next = row.nextElementSibling;
        if (next) focus(next.querySelector("[data-toner]"));
      }
    } else if ((event.key === "ArrowDown" || event.key === "ArrowUp") && field.matches("[data-amount]")) {
      const row = field.closest("[data-row]");
      const other = event.key === "ArrowDown" ? row.nextElementSibling : row.previousElementSibling;
      if (other) {
        event.preventDefault();
        focus(other.querySelector("[data-amount]"));
      }
    }
  });

  // The press that follows an Enter lands in the field that it moved to, and would send the form there.
  form.addEventListener("keypress", (event) => {
    if (event.key === "Enter" && event.target.matches("input")) event.preventDefault();
  });

  // Enter in the heading goes to the next field and never sends a half-typed formula.
  form.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !event.target.matches("input[type=text]") || body.contains(event.target)) return;
    event.preventDefault();
    const fields = [...form.querySelectorAll("input:not([type=hidden]), select, textarea, button")].filter((f) => f.tabIndex >= 0 && f.offsetParent);
    const next = fields[fields.indexOf(event.target) + 1];
    if (next) next.focus();
  });

  for (const basis of form.querySelectorAll("[name=basis]")) basis.addEventListener("change", nameAmounts);
  later();

  function nameAmounts(event) {
    const words = { weights: "As typed, g", running: "Total, g", percent: "Per cent", parts: "Parts" };
    form.querySelector("[data-amount-name]").textContent = words[event.target.value];
  }

  function focus(field) {
    field.focus();
    field.select();
  }

  function rows() {
    return [...body.querySelectorAll("[data-row]")];
  }

  function empty(row) {
    return row.querySelector("[data-toner]").value.trim() === "" && row.querySelector("[data-amount]").value.trim() === "";
  }

  function clear(row) {
    for (const input of row.querySelectorAll("input")) {
      input.value = "";
      input.removeAttribute("value");
      mark(input, "");
    }
    for (const output of row.querySelectorAll("[data-grams], [data-running], [data-share]")) output.textContent = "";
    row.querySelector("[data-problems]").replaceChildren();
  }

  // One empty line stands below the last that is filled, three at least to begin with.
  function trim() {
    const all = rows();
    for (let n = all.length; n > 3 && empty(all[n - 1]) && empty(all[n - 2]); n--) all[n - 1].remove();
  }

  function grow() {
    const all = rows();
    if (!empty(all[all.length - 1])) {
      body.append(spare.cloneNode(true));
      number();
    }
  }

  function number() {
    rows().forEach((row, i) => {
      const no = i + 1;
      row.querySelector("[data-no]").textContent = no;
      row.querySelector("[data-toner]").setAttribute("aria-label", "Toner, line " + no);
      row.querySelector("[data-amount]").setAttribute("aria-label", "Amount, line " + no);
    });
  }

  // A sentence goes as soon as its field is changed; it comes back with the next answer where it still holds.
  function touched(field) {
    const row = field.closest("[data-row]");
    if (row) typing.add(row);
    if (row && field.getAttribute("aria-invalid")) {
      mark(field, "");
      const sentence = row.querySelector("#" + CSS.escape(problemID(field, row)));
      if (sentence) sentence.remove();
    }
  }

  function problemID(field, row) {
    return (field.matches("[data-toner]") ? "toner-" : "amount-") + row.querySelector("[data-no]").textContent + "-problem";
  }

  function mark(field, id) {
    if (id) {
      field.setAttribute("aria-invalid", "true");
      field.setAttribute("aria-describedby", id);
    } else {
      field.removeAttribute("aria-invalid");
      field.removeAttribute("aria-describedby");
    }
  }

  function later() {
    clearTimeout(later.timer);
    later.timer = setTimeout(check, 120);
  }

  async function check() {
    if (check.asked) check.asked.abort();
    check.asked = new AbortController();
    try {
      const answer = await fetch("/book/check", {
        method: "POST",
        body: new URLSearchParams(new FormData(form)),
        headers: { Accept: "application/json" },
        signal: check.asked.signal,
      });
      if (answer.ok) show(await answer.json());
    } catch {
      // the next letter asks again
    }
  }

  function show(answer) {
    rows().forEach((row, i) => {
      const figures = answer.rows?.[i] ?? {};
      row.querySelector("[data-grams]").textContent = figures.grams ?? "";
      row.querySelector("[data-running]").textContent = figures.running ?? "";
      row.querySelector("[data-share]").textContent = figures.share ?? "";
      const place = row.querySelector("[data-problems]");
      place.replaceChildren();
      for (const name of ["toner", "amount"]) {
        const field = row.querySelector(`[data-${name}]`);
        const id = `${name}-${i + 1}-problem`;
        const sentence = answer.problems[`${name}-${i + 1}`];
        // A running total that falls is said at once; anything else when the line is left.
        const early = typing.has(row) && !(sentence && sentence.startsWith("The running total falls"));
        if (!sentence || early) {
          mark(field, "");
          continue;
        }
        const p = document.createElement("p");
        p.className = "problem";
        p.id = id;
        p.textContent = sentence;
        place.append(p);
        mark(field, id);
      }
    });
    form.querySelector("[data-sum]").textContent = answer.sum;
  }
}

// Completion is the list under a toner's field (ARIA combobox with a listbox).
function Completion() {
  let field = null;
  let list = null;
  let chosen = -1;
  let asked = null;

  this.adopt = (input) => {
    input.setAttribute("role", "combobox");
    input.setAttribute("aria-autocomplete", "list");
    input.setAttribute("aria-expanded", "false");
  };

  this.ask = async (input) => {
    field = input;
    const text = input.value.trim();
    if (asked) asked.abort();
    if (text === "") {
      this.close();
      return;
    }
    asked = new AbortController();
    const system = form.querySelector("[name=system]");
    const query = new URLSearchParams({ q: text, system: system ? system.value : "" });
    try {
      const answer = await fetch("/shelf/complete?" + query, { signal: asked.signal, headers: { Accept: "application/json" } });
      const toners = answer.ok ? await answer.json() : [];
      if (document.activeElement === input && input.value.trim() === text) open(toners);
    } catch {
      // the next letter asks again
    }
  };

  this.close = () => {
    if (list) list.remove();
    list = null;
    chosen = -1;
    if (field) {
      field.setAttribute("aria-expanded", "false");
      field.removeAttribute("aria-controls");
      field.removeAttribute("aria-activedescendant");
    }
  };

  // key takes the keys that belong to the list and says whether it did.
  this.key = (event) => {
    if (!list) return false;
    const count = list.children.length;
    if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      event.preventDefault();
      choose((chosen + (event.key === "ArrowDown" ? 1 : count - 1)) % count);
      return true;
    }
    if (event.key === "Escape") {
      event.preventDefault();
      this.close();
      return true;
    }
    if ((event.key === "Enter" || event.key === "Tab") && chosen >= 0) {
      if (event.key === "Enter") event.preventDefault();
      const row = field.closest("[data-row]");
      take(list.children[chosen]);
      if (event.key === "Enter") row.querySelector("[data-amount]").focus();
      return true;
    }
    return false;
  };

  const open = (toners) => {
    this.close();
    if (toners.length === 0) return;
    list = document.createElement("ul");
    list.className = "combo-list";
    list.id = "toners";
    list.setAttribute("role", "listbox");
    list.setAttribute("aria-label", "Toners of the shelf");
    toners.forEach((t, i) => list.append(item(t, i)));
    field.setAttribute("aria-controls", "toners");
    field.setAttribute("aria-expanded", "true");
    field.parentElement.append(list);
    list.scrollIntoView({ block: "nearest" });
    choose(0);
  };

  const item = (toner, i) => {
    const li = document.createElement("li");
    li.id = "toner-option-" + i;
    li.setAttribute("role", "option");
    li.dataset.name = toner.name;
    li.append(swatch(toner.swatch));
    const name = document.createElement("span");
    name.textContent = toner.says ? toner.name + " (" + toner.says + ")" : toner.name;
    li.append(name);
    if (toner.code) {
      const code = document.createElement("span");
      code.className = "code num";
      code.textContent = toner.code;
      li.append(code);
    }
    li.addEventListener("pointerdown", (event) => {
      event.preventDefault(); // the field keeps the focus
      const row = field.closest("[data-row]");
      take(li);
      row.querySelector("[data-amount]").focus();
    });
    return li;
  };

  const choose = (i) => {
    chosen = i;
    [...list.children].forEach((li, n) => li.setAttribute("aria-selected", n === i ? "true" : "false"));
    list.children[i].scrollIntoView({ block: "nearest" });
    field.setAttribute("aria-activedescendant", list.children[i].id);
  };

  const take = (li) => {
    field.value = li.dataset.name;
    const changed = field;
    this.close();
    changed.dispatchEvent(new Event("change", { bubbles: true }));
  };
}

function swatch(hex) {
  const ns = "http://www.w3.org/2000/svg";
  const span = document.createElement("span");
  span.className = "swatch s";
  const svg = document.createElementNS(ns, "svg");
  svg.setAttribute("viewBox", "0 0 10 10");
  svg.setAttribute("aria-hidden", "true");
  const rect = document.createElementNS(ns, "rect");
  rect.setAttribute("width", "10");
  rect.setAttribute("height", "10");
  rect.setAttribute("fill", hex || "none");
  svg.append(rect);
  span.append(svg);
  return span;
}

// colourField puts a colour chooser beside the field that holds a swatch's number.
function colourField(field) {
  const chooser = document.createElement("input");
  chooser.type = "color";
  chooser.className = "chooser";
  chooser.setAttribute("aria-label", "Choose the swatch");
  chooser.value = /^#[0-9a-f]{6}$/i.test(field.value) ? field.value : "#aeaeae"; // the surround: nothing chosen
  chooser.addEventListener("input", () => {
    field.value = chooser.value;
  });
  field.addEventListener("input", () => {
    if (/^#[0-9a-f]{6}$/i.test(field.value)) chooser.value = field.value;
  });
  const join = document.createElement("div");
  join.className = "join";
  field.before(join);
  join.append(field, chooser);
}
