// A board to play on, with a mouse, a finger or the keyboard alone. Which moves
// there are is read from the page's buttons; this file knows no rules of chess.

/** Wakes the grid over a board. `legal` are buttons with data-from and data-to;
 *  `play(button)` is called with the one that was chosen, `say(text)` tells. */
export function wakeBoard(board, legal, play, say) {
  const grid = board.querySelector("[role=grid]");
  if (!grid) return;
  const cells = [...grid.querySelectorAll("[data-square]")];
  const bySquare = new Map(cells.map((cell) => [cell.dataset.square, cell]));
  const from = new Map();
  for (const button of legal) {
    const start = button.dataset.from;
    from.set(start, [...(from.get(start) ?? []), button]);
  }
  let chosen = null;
  grid.hidden = false;

  function stop(cell) {
    for (const one of cells) one.tabIndex = one === cell ? 0 : -1;
  }

  function choose(cell) {
    forget();
    chosen = cell;
    cell.classList.add("chosen");
    cell.setAttribute("aria-selected", "true");
    const ends = [...new Set(from.get(cell.dataset.square).map((one) => one.dataset.to))];
    for (const end of ends) bySquare.get(end).classList.add("reached");
    say(`${cell.getAttribute("aria-label")} chosen. It can go to ${ends.join(", ")}.`);
  }

  function forget() {
    if (!chosen) return;
    chosen.removeAttribute("aria-selected");
    chosen = null;
    for (const one of cells) one.classList.remove("chosen", "reached");
  }

  function press(cell) {
    stop(cell);
    const square = cell.dataset.square;
    if (chosen) {
      const moves = from.get(chosen.dataset.square).filter((one) => one.dataset.to === square);
      if (moves.length) {
        forget();
        if (moves.length === 1) play(moves[0]);
        else askWhich(moves, play);
        return;
      }
      if (cell === chosen) {
        forget();
        say("No piece is chosen.");
        return;
      }
    }
    if (from.has(square)) choose(cell);
    else {
      forget();
      say(`${cell.getAttribute("aria-label")}: no move begins here.`);
    }
  }

  grid.addEventListener("click", (event) => {
    const cell = event.target.closest("[data-square]");
    if (cell) press(cell);
  });

  const steps = { ArrowLeft: -1, ArrowRight: 1, ArrowUp: -8, ArrowDown: 8 };
  grid.addEventListener("keydown", (event) => {
    const at = cells.indexOf(document.activeElement);
    if (at < 0) return;
    let to = at;
    if (event.key in steps) {
      const step = steps[event.key];
      const sameRank = Math.floor((at + step) / 8) === Math.floor(at / 8);
      if (Math.abs(step) === 8 || sameRank) to = at + step;
    } else if (event.key === "Home") to = at - (at % 8);
    else if (event.key === "End") to = at - (at % 8) + 7;
    else if (event.key === "Escape" && chosen) {
      forget();
      say("No piece is chosen.");
      event.preventDefault();
      return;
    } else return;
    event.preventDefault();
    if (to >= 0 && to < 64) {
      stop(cells[to]);
      cells[to].focus();
    }
  });

  wakeDragging(board, bySquare, from, press, () => chosen);
  stop(bySquare.get(board.dataset.focus) ?? cells[56] ?? cells[0]);
}

/** A piece may be drawn to its square as well: pressing there and letting go here. */
function wakeDragging(board, bySquare, from, press, chosenNow) {
  let start = null;
  board.addEventListener("pointerdown", (event) => {
    const cell = event.target.closest?.("[data-square]");
    start = cell && event.pointerType === "mouse" && from.has(cell.dataset.square) ? cell : null;
  });
  board.addEventListener("pointerup", (event) => {
    const under = document.elementFromPoint(event.clientX, event.clientY);
    const cell = under?.closest?.("[data-square]");
    if (start && cell && cell !== start && bySquare.get(cell.dataset.square) === cell) {
      if (chosenNow() !== start) press(start);
      press(cell);
    }
    start = null;
  });
}

/** Several moves lead to one square: a pawn may become one of four pieces. */
function askWhich(moves, play) {
  const dialog = document.createElement("dialog");
  dialog.className = "which";
  dialog.setAttribute("aria-label", "What the pawn becomes");
  const words = document.createElement("p");
  words.textContent = "The pawn becomes a";
  dialog.append(words);
  const row = document.createElement("p");
  row.className = "actions";
  const order = ["queen", "rook", "bishop", "knight"];
  const sorted = [...moves].sort(
    (one, other) => order.indexOf(one.dataset.becomes) - order.indexOf(other.dataset.becomes),
  );
  for (const move of sorted) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = move.dataset.becomes ?? move.value;
    button.addEventListener("click", () => {
      dialog.close();
      play(move);
    });
    row.append(button);
  }
  dialog.append(row);
  dialog.addEventListener("close", () => dialog.remove());
  document.body.append(dialog);
  dialog.showModal();
}
