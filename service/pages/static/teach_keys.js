// One key answers a question. The keys can be switched off, for who dictates or
// whose hands shake (WCAG 2.2, success criterion 2.1.4).

const NAME = "pawnlore-answer-keys";
const box = document.getElementById("keys-on");

function on() {
  return box === null || box.checked;
}

if (box) {
  box.checked = localStorage.getItem(NAME) !== "off";
  box.closest("[hidden]").hidden = false;
  box.addEventListener("change", () => localStorage.setItem(NAME, box.checked ? "on" : "off"));
}

document.addEventListener("keydown", (event) => {
  if (!on() || event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
  if (event.target.closest("input:not([type=checkbox]), textarea, select")) return;
  const wanted = document.querySelector(`[data-key="${CSS.escape(event.key.toLowerCase())}"]`);
  if (!wanted) return;
  event.preventDefault();
  wanted.click();
});
