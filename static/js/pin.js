// The keys of the PIN page. Without scripts the field is typed in.

const form = document.querySelector("form[data-pin]");
const field = form.querySelector("#pin");
const keys = form.querySelector(".pin-keys");

keys.hidden = false;
field.setAttribute("inputmode", "none"); // the keys below are larger than a tablet's own

keys.addEventListener("click", (e) => {
  const key = e.target.closest("[data-key]")?.dataset.key;
  if (!key) return;
  if (key === "back") field.value = field.value.slice(0, -1);
  else if (field.value.length < field.maxLength) field.value += key;
});
