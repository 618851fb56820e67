// Steps through a line without opening the page anew: by links and by the arrow keys.
// Without this module every step is a link like any other.

const place = () => document.getElementById("line-view");
const known = new Map();
const MOST_KNOWN = 60;
let wanted = "";

const told = document.createElement("p");
told.className = "visually-hidden";
told.setAttribute("role", "status");
document.getElementById("main").append(told);

async function fetched(address) {
  if (!known.has(address)) {
    if (known.size >= MOST_KNOWN) known.delete(known.keys().next().value);
    known.set(address, read(address));
  }
  try {
    return await known.get(address);
  } catch (fault) {
    known.delete(address);
    throw fault;
  }
}

async function read(address) {
  const answer = await fetch(address, { headers: { Accept: "text/html" } });
  const text = await answer.text();
  const page = new DOMParser().parseFromString(text, "text/html");
  if (!answer.ok || !page.getElementById("line-view")) throw new Error(`${answer.status}`);
  return page;
}

async function show(address) {
  wanted = address;
  let page;
  try {
    page = await fetched(address);
  } catch {
    // Signed out, or not to be reached: let the browser tell.
    location.assign(address);
    return false;
  }
  if (wanted !== address) return false;
  const focused = document.activeElement;
  const name = focused?.id;
  const along = focused?.closest?.(".steps, .path, .line-moves")?.className;
  place().replaceWith(document.adoptNode(page.getElementById("line-view").cloneNode(true)));
  document.title = page.title;
  dress();
  keepFocus(name, along);
  told.textContent = document.getElementById("line-told").textContent;
  return true;
}

// What was focused is looked for again; where it is gone, its neighbours are.
function keepFocus(name, along) {
  if (!along) return;
  const again =
    (name && document.getElementById(name)) ||
    document.querySelector(`.${along.split(" ")[0]} [aria-current]`) ||
    document.querySelector(".steps a");
  again?.focus({ preventScroll: true });
}

function dress() {
  for (const hint of document.querySelectorAll(".keys-hint")) hint.hidden = false;
  const moves = document.querySelector(".line-moves [aria-current]");
  moves?.scrollIntoView({ block: "nearest" });
  const next = document.getElementById("step-on");
  if (next) fetched(next.href).catch(() => {});
}

async function step(address) {
  if (address === location.href) return;
  if (await show(address)) history.pushState({ line: true }, "", address);
}

document.addEventListener("click", (event) => {
  const link = event.target.closest?.("a[data-step]");
  if (!link || event.defaultPrevented || event.button) return;
  if (event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
  event.preventDefault();
  step(link.href);
});

const KEYS = { ArrowLeft: "step-back", ArrowRight: "step-on", Home: "step-first", End: "step-last" };

document.addEventListener("keydown", (event) => {
  if (event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
  if (event.target.closest?.("input, select, textarea, [contenteditable]")) return;
  const link = document.getElementById(KEYS[event.key] ?? "");
  if (!link) return;
  event.preventDefault();
  step(link.href);
});

addEventListener("popstate", () => {
  show(location.href);
});

dress();
