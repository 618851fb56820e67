// Squares and moves drawn on the diagram of a note, with a mouse, a finger or
// the keyboard alone. What a move is called, the service says; the two fields
// below the board hold everything, and can be typed in as well.

const STEPS = { ArrowLeft: -1, ArrowRight: 1, ArrowUp: -8, ArrowDown: 8 };
const PIECES = { p: "pawn", n: "knight", b: "bishop", r: "rook", q: "queen", k: "king" };
const REDRAWN = new Set(["squares", "moves", "structure", "holder", "side", "fen", "model_line", "text"]);

/** Wakes the board of a form; `changed` is called when it wrote into a field. */
export function wakeDrawing(form, changed) {
  const board = document.getElementById("board");
  const says = document.getElementById("board-says");
  const fields = form.elements;
  const drawable = Boolean(fields.squares && fields.moves);
  const plate = document.createElement("div");
  plate.append(...board.childNodes);
  board.append(plate);

  let cells = [];
  let asked = 0;
  let start = null;
  let mode = "mark";

  // --- Asking for the drawing.

  async function redraw(arrow = "") {
    asked += 1;
    const mine = asked;
    const body = new FormData(form);
    if (arrow) body.set("arrow", arrow);
    let drawn;
    try {
      const response = await fetch("/notes/drawing", { method: "POST", body });
      if (!response.ok) throw new Error(String(response.status));
      drawn = await response.json();
    } catch {
      says.textContent = "The diagram could not be drawn: the service does not answer.";
      return;
    }
    if (mine !== asked) return;
    plate.innerHTML = drawn.svg; // Drawn by the service; it holds no code.
    document.getElementById("board-legend").innerHTML = drawn.legend;
    document.getElementById("board-caption").textContent = drawn.caption ? `${drawn.caption}.` : "";
    let told = drawn.said;
    if (drawn.not_drawn.length) {
      told += ` Not on the board, but kept: ${drawn.not_drawn.join(" ")}.`;
    }
    says.textContent = told.trim();
    if (arrow && drawn.moves !== fields.moves.value) {
      fields.moves.value = drawn.moves;
      changed();
    }
    if (drawable) lay(drawn.fen, drawn.orientation);
  }

  let timer = 0;
  form.addEventListener("input", (event) => {
    if (!REDRAWN.has(event.target.name)) return;
    clearTimeout(timer);
    timer = setTimeout(redraw, 350);
  });
  form.addEventListener("redraw", () => redraw());

  if (!drawable) return;

  // --- The grid over the board.

  function marked() {
    return fields.squares.value.split(/[\s,;]+/).filter(Boolean);
  }

  function mark(square) {
    const now = marked();
    const on = !now.includes(square);
    fields.squares.value = (on ? [...now, square] : now.filter((one) => one !== square)).join(" ");
    changed();
    redraw();
    says.textContent = `${square} ${on ? "is marked" : "is not marked any more"}.`;
  }

  function begin(cell) {
    forget();
    start = cell;
    cell.classList.add("chosen");
    says.textContent = `A move from ${cell.getAttribute("aria-label")}. Choose where it goes.`;
  }

  function forget() {
    start?.classList.remove("chosen");
    start = null;
  }

  function end(cell) {
    const arrow = start.dataset.square + cell.dataset.square;
    forget();
    if (arrow.slice(0, 2) !== arrow.slice(2)) redraw(arrow);
    else says.textContent = "No move.";
  }

  function press(cell) {
    stop(cell);
    if (mode === "mark") mark(cell.dataset.square);
    else if (start) end(cell);
    else begin(cell);
  }

  function stop(cell) {
    for (const one of cells) one.tabIndex = one === cell ? 0 : -1;
  }

  const grid = document.createElement("div");
  grid.className = "cells";
  grid.setAttribute("role", "grid");
  grid.setAttribute("aria-label", "The diagram, to draw on");
  grid.setAttribute("aria-describedby", "board-hint");
  board.append(grid);

  function lay(fen, orientation) {
    const pieces = piecesOf(fen);
    const known = new Set(marked());
    const files = [..."abcdefgh"];
    const ranks = [..."87654321"];
    if (orientation === "black") {
      files.reverse();
      ranks.reverse();
    }
    const order = ranks.flatMap((rank) => files.map((file) => file + rank));
    if (cells.map((cell) => cell.dataset.square).join() !== order.join()) {
      cells = order.map((square) => {
        const cell = document.createElement("button");
        cell.type = "button";
        cell.setAttribute("role", "gridcell");
        cell.dataset.square = square;
        return cell;
      });
      const rows = ranks.map((_, place) => {
        const row = document.createElement("div");
        row.setAttribute("role", "row");
        row.append(...cells.slice(8 * place, 8 * place + 8));
        return row;
      });
      grid.replaceChildren(...rows);
      stop(cells[56]);
    }
    for (const cell of cells) {
      const square = cell.dataset.square;
      const piece = pieces.get(square);
      const words = [square];
      if (piece) words.push(piece);
      if (known.has(square)) words.push("marked");
      cell.setAttribute("aria-label", words.join(", "));
    }
  }

  let pressed = null;
  let dragged = false;
  grid.addEventListener("pointerdown", (event) => {
    const cell = event.target.closest("[data-square]");
    pressed = event.pointerType === "mouse" ? cell : null;
    dragged = false;
  });
  grid.addEventListener("pointerup", (event) => {
    const cell = document.elementFromPoint(event.clientX, event.clientY)?.closest?.("[data-square]");
    if (pressed && cell && cell !== pressed && grid.contains(cell)) {
      dragged = true;
      start = pressed;
      end(cell);
    }
    pressed = null;
  });
  grid.addEventListener("click", (event) => {
    const cell = event.target.closest("[data-square]");
    if (cell && !dragged) press(cell);
    dragged = false;
  });
  grid.addEventListener("keydown", (event) => {
    const at = cells.indexOf(document.activeElement);
    if (at < 0) return;
    let to = at;
    if (event.key in STEPS) {
      const step = STEPS[event.key];
      const sameRank = Math.floor((at + step) / 8) === Math.floor(at / 8);
      if (Math.abs(step) === 8 || sameRank) to = at + step;
    } else if (event.key === "Home") to = at - (at % 8);
    else if (event.key === "End") to = at - (at % 8) + 7;
    else if (event.key === "m" || event.key === "M") {
      if (start) end(cells[at]);
      else begin(cells[at]);
    } else if (event.key === "Escape" && start) {
      forget();
      says.textContent = "No move.";
    } else return;
    event.preventDefault();
    if (to >= 0 && to < 64 && to !== at) {
      stop(cells[to]);
      cells[to].focus();
    }
  });

  // --- What a press does.

  const tools = document.createElement("fieldset");
  tools.className = "board-modes";
  const legend = document.createElement("legend");
  legend.textContent = "A click on the board";
  tools.append(legend);
  for (const [value, label] of [["mark", "marks a square"], ["move", "draws an arrow, by two clicks"]]) {
    const row = document.createElement("label");
    row.className = "tick";
    const choice = document.createElement("input");
    choice.type = "radio";
    choice.name = "board-mode"; // Outside of what is kept: it is no part of the note.
    choice.value = value;
    choice.checked = value === mode;
    choice.setAttribute("form", "");
    choice.addEventListener("change", () => {
      mode = value;
      forget();
    });
    row.append(choice, ` ${label}`);
    tools.append(row);
  }
  const back = document.createElement("button");
  back.type = "button";
  back.className = "quiet";
  back.textContent = "Take the last move back";
  back.addEventListener("click", () => {
    fields.moves.value = fields.moves.value.trim().split(/[\s,;]+/).slice(0, -1).join(" ");
    changed();
    redraw();
  });
  tools.append(back);
  const hint = document.getElementById("board-hint");
  hint.hidden = false;
  hint.after(tools);

  lay(board.dataset.fen, board.dataset.orientation);
}

/** What stands where, from the first field of a FEN. */
function piecesOf(fen) {
  const found = new Map();
  const ranks = fen.split(" ")[0].split("/");
  ranks.forEach((rank, row) => {
    let file = 0;
    for (const sign of rank) {
      if (sign >= "1" && sign <= "8") file += Number(sign);
      else {
        const side = sign === sign.toUpperCase() ? "white" : "black";
        found.set("abcdefgh"[file] + (8 - row), `${side} ${PIECES[sign.toLowerCase()]}`);
        file += 1;
      }
    }
  });
  return found;
}
