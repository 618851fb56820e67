// The note editor: a preview beside the text, and drafts that survive a closed browser.
import { wakeDrawing } from "./note_drawing.js";
import { draftName, dropDraft, keepDraft, newDrafts, readDraft } from "./note_drafts.js";

const form = document.getElementById("note-form");
const fields = form.elements;
const NOT_KEPT = new Set(["form_key", "revision", "draft", "act"]);

function later(wait, work) {
  let timer = 0;
  return () => {
    clearTimeout(timer);
    timer = setTimeout(work, wait);
  };
}

// --- The preview.

const preview = document.getElementById("preview");
let asked = 0;

async function showPreview() {
  asked += 1;
  const mine = asked;
  let answer;
  try {
    const response = await fetch("/notes/preview", { method: "POST", body: new FormData(form) });
    if (!response.ok) throw new Error(String(response.status));
    answer = await response.json();
  } catch {
    answer = { html: "", when: [], faults: ["There is no preview: the service does not answer."] };
  }
  if (mine !== asked) return;
  preview.replaceChildren();
  if (answer.faults.length) {
    const list = document.createElement("ul");
    list.className = "fault";
    for (const fault of answer.faults) {
      const row = document.createElement("li");
      row.textContent = fault;
      list.append(row);
    }
    preview.append(list);
  }
  if (answer.when.length) {
    const when = document.createElement("p");
    when.className = "why";
    when.textContent = `When ${answer.when.join(" and ")}.`;
    preview.append(when);
  }
  const body = document.createElement("div");
  body.className = "body";
  body.innerHTML = answer.html; // The service's own renderer made it; it lets no HTML through.
  preview.append(body);
  preview.hidden = false;
}

const previewSoon = later(500, showPreview);
document.getElementById("preview-button").addEventListener("click", (event) => {
  event.preventDefault();
  showPreview();
});
form.addEventListener("input", () => {
  if (!preview.hidden) previewSoon();
});

// --- The diagram.

wakeDrawing(form, () => form.dispatchEvent(new Event("input", { bubbles: true })));

// --- Drafts.

const note = form.dataset.note;
if (!note && !fields.draft.value) {
  fields.draft.value = `${Date.now().toString(36)}-${Math.random().toString(36).slice(2, 8)}`;
}
const name = draftName(note, fields.draft.value);
const kept = document.getElementById("kept");

function typed() {
  const values = {};
  for (const [key, value] of new FormData(form)) {
    if (NOT_KEPT.has(key) || typeof value !== "string") continue;
    if (key === "bishops") values.bishops = [...(values.bishops ?? []), value];
    else values[key] = value;
  }
  return values;
}

const asLoaded = JSON.stringify(typed());

function keep() {
  const values = typed();
  if (JSON.stringify(values) === asLoaded && !("typed" in form.dataset)) {
    dropDraft(name);
    kept.textContent = "";
    return;
  }
  const time = Date.now();
  const done = keepDraft(name, { revision: Number(fields.revision.value), time, values });
  kept.textContent = done
    ? `Not saved yet; kept in this browser at ${clock(time)}.`
    : "Not saved yet; this browser keeps no drafts.";
}

const keepSoon = later(250, keep);
form.addEventListener("input", keepSoon);
form.addEventListener("change", keepSoon);
addEventListener("pagehide", () => {
  if (JSON.stringify(typed()) !== asLoaded) keep();
});

function clock(time) {
  return new Date(time).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
}

function moment(time) {
  return new Date(time).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
}

function takeUp(draft) {
  const mode = draft.values.mode ?? "form";
  if (mode !== fields.mode.value) {
    // The draft was written the other way; the page for that offers it again.
    location.href = `${location.pathname}?as=${mode}`;
    return;
  }
  for (const [key, value] of Object.entries(draft.values)) {
    const field = fields[key];
    if (!field || key === "mode" || key === "published" || key === "bishops") continue;
    field.value = value;
  }
  for (const box of form.querySelectorAll("[name=bishops]")) {
    box.checked = (draft.values.bishops ?? []).includes(box.value);
  }
  fields.published.checked = draft.values.published === "yes";
  fields.revision.value = draft.revision;
  form.dispatchEvent(new Event("input", { bubbles: true }));
}

function offer(draftKey, draft) {
  const box = document.getElementById("draft-offer");
  const row = document.createElement("div");
  const words = document.createElement("p");
  const title = draft.values.title ? `“${draft.values.title}”, ` : "";
  let told = `A draft that was not saved is kept in this browser: ${title}${moment(draft.time)}.`;
  const now = Number(form.dataset.revision);
  if (note && draft.revision !== now) {
    told += ` It was begun from revision ${draft.revision}; the plan is at revision ${now} now.`;
  }
  words.textContent = told;
  const actions = document.createElement("p");
  actions.className = "actions";
  const answers = [
    ["Take it up", () => {
      if (draftKey !== name) dropDraft(draftKey);
      takeUp(draft);
    }],
    ["Throw it away", () => dropDraft(draftKey)],
  ];
  for (const [label, act] of answers) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = label;
    button.addEventListener("click", () => {
      act();
      row.remove();
      if (!box.children.length) box.hidden = true;
      form.querySelector("textarea").focus();
    });
    actions.append(button);
  }
  row.append(words, actions);
  box.append(row);
  box.hidden = false;
}

if (!("typed" in form.dataset)) {
  if (note) {
    const draft = readDraft(name);
    if (draft && JSON.stringify(draft.values) === asLoaded) dropDraft(name);
    else if (draft) offer(name, draft);
  } else {
    for (const [key, draft] of newDrafts().slice(0, 5)) offer(key, draft);
  }
}
