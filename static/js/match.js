// A search as it goes: the bar follows the stream; when it is done the page is fetched again with what was found.

const main = document.querySelector("[data-match]");
const bar = main?.querySelector("progress");
if (bar && main.dataset.match) {
  const stream = new EventSource(main.dataset.match);
  stream.addEventListener("progress", (e) => {
    const { done, total, words } = JSON.parse(e.data);
    bar.max = Math.max(total, 1);
    bar.value = done;
    main.querySelector("[data-match-words]").textContent = words;
  });
  stream.addEventListener("done", () => {
    stream.close();
    location.reload();
  });
}
