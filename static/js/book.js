// The search of Book and Shelf: results as one types, and the arrow keys to walk through them.
// Without this script the same form works by its button.

const finder = document.querySelector("[data-finder]");
const results = document.querySelector("[data-results]");

if (finder && results) {
  finder.classList.add("live-finder");
  const words = finder.querySelector("input[type=search]");
  let asked = null; // the request under way
  let timer = 0;

  const address = () => {
    const query = new URLSearchParams();
    for (const [name, value] of new FormData(finder)) {
      if (value !== "") query.set(name, value);
    }
    return query;
  };

  const fetchList = async () => {
    if (asked) asked.abort();
    asked = new AbortController();
    const query = address();
    const text = query.toString();
    history.replaceState(null, "", finder.getAttribute("action") + (text ? "?" + text : ""));
    query.set("part", "list");
    try {
      const answer = await fetch(finder.getAttribute("action") + "?" + query, { signal: asked.signal, headers: { Accept: "text/html" } });
      if (answer.ok) results.innerHTML = await answer.text();
    } catch (failure) {
      if (failure.name !== "AbortError") say("No network. The list is as it was.");
    }
  };

  const say = (sentence) => {
    const status = results.querySelector("[role=status]");
    if (status) status.textContent = sentence;
  };

  finder.addEventListener("input", (event) => {
    clearTimeout(timer);
    timer = setTimeout(fetchList, event.target === words ? 60 : 0);
  });

  const rows = () => [...results.querySelectorAll("a.line")];

  words.addEventListener("keydown", (event) => {
    if (event.key === "ArrowDown") {
      const first = rows()[0];
      if (first) {
        event.preventDefault();
        first.focus();
      }
    }
  });

  // Enter opens the first that was found.
  finder.addEventListener("submit", async (event) => {
    event.preventDefault();
    clearTimeout(timer);
    await fetchList(); // what is on the screen may be of the letter before
    const first = rows()[0];
    if (first && words.value.trim() !== "") first.click();
  });

  results.addEventListener("keydown", (event) => {
    if (event.key !== "ArrowDown" && event.key !== "ArrowUp") return;
    const all = rows();
    const at = all.indexOf(document.activeElement);
    if (at < 0) return;
    event.preventDefault();
    if (event.key === "ArrowDown" && at + 1 < all.length) all[at + 1].focus();
    if (event.key === "ArrowUp") (at === 0 ? words : all[at - 1]).focus();
  });
}
