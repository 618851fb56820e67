// Files and folders can be dropped on the form, and it tells how far they are on their way.
// Without this module the form is sent like any other.

const MOST_FILES = 100;
const LISTED = 40;
const form = document.getElementById("upload-form");
const input = document.getElementById("pgn");
const place = document.getElementById("drop-place");
const list = document.getElementById("chosen-files");
const status = document.getElementById("upload-status");
const button = form.querySelector("button");

for (const hint of document.querySelectorAll(".only-with-scripts")) hint.hidden = false;

function size(bytes) {
  return bytes < 1e6 ? `${Math.max(1, Math.round(bytes / 1000))} kB` : `${(bytes / 1e6).toFixed(1)} MB`;
}

function say(text, asProblem = false) {
  const line = document.createElement("p");
  if (asProblem) line.className = "problem";
  line.textContent = text;
  status.replaceChildren(...(text ? [line] : []));
}

function showChosen() {
  const files = [...input.files];
  list.hidden = !files.length;
  // A list that scrolls must be reached by the keyboard.
  if (files.length > 6) list.tabIndex = 0;
  else list.removeAttribute("tabindex");
  const rows = files.slice(0, LISTED).map((file) => {
    const row = document.createElement("li");
    const name = document.createElement("bdi");
    name.textContent = file.name;
    row.append(name, ` (${size(file.size)})`);
    return row;
  });
  if (files.length > LISTED) {
    const row = document.createElement("li");
    row.textContent = `and ${files.length - LISTED} more`;
    rows.push(row);
  }
  list.replaceChildren(...rows);
}

// A folder is gone through, in the order of names, for what looks like PGN.
async function filesOf(entry, found) {
  if (found.length >= MOST_FILES) return;
  if (entry.isFile) {
    const file = await new Promise((done, fail) => entry.file(done, fail));
    found.push(file);
    return;
  }
  const reader = entry.createReader();
  const inside = [];
  for (;;) {
    const some = await new Promise((done, fail) => reader.readEntries(done, fail));
    if (!some.length) break;
    inside.push(...some);
  }
  inside.sort((one, other) => one.name.localeCompare(other.name, "en", { numeric: true }));
  for (const one of inside) {
    if (one.isDirectory || /\.pgn$/i.test(one.name)) await filesOf(one, found);
  }
}

async function dropped(transfer) {
  const entries = [...transfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
  if (!entries.some((entry) => entry.isDirectory)) return [...transfer.files];
  const found = [];
  for (const entry of entries) await filesOf(entry, found);
  return found;
}

let over = 0;
const isFiles = (event) => event.dataTransfer?.types.includes("Files");

addEventListener("dragenter", (event) => {
  if (!isFiles(event)) return;
  over += 1;
  place.classList.add("over");
});
addEventListener("dragleave", (event) => {
  if (!isFiles(event)) return;
  over = Math.max(0, over - 1);
  if (!over) place.classList.remove("over");
});
// A file that misses the place would be opened by the browser instead.
addEventListener("dragover", (event) => {
  if (isFiles(event)) event.preventDefault();
});
addEventListener("drop", async (event) => {
  if (!isFiles(event)) return;
  event.preventDefault();
  over = 0;
  place.classList.remove("over");
  try {
    const files = await dropped(event.dataTransfer);
    if (!files.length) {
      say("There is no file in it whose name ends in .pgn.", true);
      return;
    }
    const chosen = new DataTransfer();
    for (const file of files.slice(0, MOST_FILES)) chosen.items.add(file);
    input.files = chosen.files;
    input.removeAttribute("aria-invalid");
    showChosen();
    say(`${input.files.length === 1 ? "One file is" : `${input.files.length} files are`} ready to be uploaded.`);
    button.focus();
  } catch {
    say("What was dropped could not be read. Choose the files instead.", true);
  }
});

input.addEventListener("change", () => {
  showChosen();
  say("");
});

form.addEventListener("submit", (event) => {
  event.preventDefault();
  if (!input.files.length) {
    say("Choose at least one PGN file.", true);
    input.focus();
    return;
  }
  const sending = new XMLHttpRequest();
  const bar = document.createElement("progress");
  bar.max = 100;
  bar.setAttribute("aria-label", "How much was sent");
  say("Sending the files …");
  status.append(bar);
  button.disabled = true;
  sending.upload.addEventListener("progress", (step) => {
    if (step.lengthComputable) bar.value = Math.floor((100 * step.loaded) / step.total);
  });
  sending.addEventListener("load", () => {
    if (sending.status < 300) {
      location.assign(sending.responseURL);
      return;
    }
    button.disabled = false;
    say(detailOf(sending), true);
  });
  sending.addEventListener("error", () => {
    button.disabled = false;
    say("The service could not be reached, or a file has changed since it was chosen. Nothing was uploaded; try again.", true);
  });
  sending.open("POST", form.action);
  sending.setRequestHeader("Accept", "application/problem+json, application/json;q=0.9");
  sending.send(new FormData(form));
});

function detailOf(sending) {
  try {
    return JSON.parse(sending.responseText).detail;
  } catch {
    return `The service answered with ${sending.status}. Nothing was uploaded; try again.`;
  }
}

addEventListener("pageshow", showChosen);
