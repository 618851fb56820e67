// The look-up page: moves lead to the next page, which takes the place of this
// one without a new beginning; the address goes along, so back and forward work.
import { wakeBoard } from "./play_board.js";

const live = document.createElement("div");
live.className = "visually-hidden";
live.setAttribute("role", "status");
document.body.append(live);

function say(text) {
  live.textContent = text;
}

let turn = 0;
let shown = location.pathname + location.search;

/** Shows the page at an address. `focus` is the selector of what shall have the focus in it. */
async function show(address, { push = true, focus = "" } = {}) {
  const mine = (turn += 1);
  let answer;
  try {
    answer = await fetch(address, { headers: { Accept: "text/html" } });
  } catch {
    location.assign(address);
    return;
  }
  const text = await answer.text();
  if (mine !== turn) return; // somebody was quicker
  const next = new DOMParser().parseFromString(text, "text/html");
  const main = next.querySelector("main");
  if (!main || !next.querySelector("#look-up")) {
    location.assign(answer.url);
    return;
  }
  const opened = [...document.querySelectorAll("main details[open][id]")].map((one) => one.id);
  if (push) history.pushState(null, "", answer.url);
  shown = location.pathname + location.search;
  document.title = next.title;
  document.querySelector("main").replaceChildren(...main.childNodes);
  for (const id of opened) document.getElementById(id)?.setAttribute("open", "");
  wake(focus);
  say(document.getElementById("look-up").dataset.said.trim());
}

function addressOf(form, button) {
  const data = new FormData(form);
  if (button?.name) data.append(button.name, button.value);
  return `${form.getAttribute("action")}?${new URLSearchParams(data)}`;
}

/** Makes the page that was just put in place live. */
function wake(focus) {
  const board = document.getElementById("play-board");
  const legal = [...document.querySelectorAll("#legal-moves [data-from]")];
  if (board) {
    const square = /^\[data-square="(..)"\]$/.exec(focus);
    if (square) board.dataset.focus = square[1];
    wakeBoard(board, legal, (button) => {
      show(addressOf(button.form, button), { focus: `[data-square="${button.dataset.to}"]` });
    }, say);
  }
  if (focus) document.querySelector(focus)?.focus({ preventScroll: true });
  addCopying();
}

/** A button beside the field that holds the position's FEN. */
function addCopying() {
  const field = document.getElementById("fen");
  const actions = field?.form.querySelector(".actions");
  if (!field?.value || !actions || !navigator.clipboard) return;
  const button = document.createElement("button");
  button.type = "button";
  button.id = "copy-fen";
  button.textContent = "Copy the FEN";
  button.addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(field.value);
      button.textContent = "Copied";
      say("The FEN is copied.");
    } catch {
      field.select();
      say("The FEN is marked; copy it with the keyboard.");
    }
  });
  actions.append(button);
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.method !== "get" || form.getAttribute("action") !== "/look-up") return;
  event.preventDefault();
  show(addressOf(form, event.submitter), { focus: nextTo(event.submitter ?? form) });
});

/** Where whoever used a control will want to go on. */
function nextTo(control) {
  if (control.closest(".type-moves")) return "#play";
  if (control.closest(".continuations")) return ".continuations button, #play";
  if (control.closest(".moves-played")) return ".moves-played [aria-current], #play";
  if (control.closest("#legal-moves")) return "#legal-moves summary";
  return "h1";
}

document.addEventListener("click", (event) => {
  const link = event.target.closest("main a[href^='/look-up']");
  const plain = event.button === 0 && !(event.metaKey || event.ctrlKey || event.shiftKey || event.altKey);
  if (!link || !plain) return;
  event.preventDefault();
  const top = link.closest(".text-side") !== null;
  const focus = link.id ? `#${link.id}, #play` : "h1";
  show(link.href, { focus }).then(() => top && scrollTo(0, 0));
});

window.addEventListener("popstate", () => {
  // A link to a place on this very page is no step back.
  if (location.pathname + location.search !== shown) show(location.href, { push: false });
});

wake("");
