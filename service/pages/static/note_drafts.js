// Drafts of plan notes, kept in this browser until they are saved.

const PREFIX = "pawnlore-note:";

/** The name under which a note's draft is kept; a new note has a name of its own. */
export function draftName(note, draft) {
  return note ? note : `new-${draft}`;
}

export function keepDraft(name, draft) {
  try {
    localStorage.setItem(PREFIX + name, JSON.stringify(draft));
    return true;
  } catch {
    return false; // The browser keeps nothing for us, or has no room.
  }
}

export function readDraft(name) {
  try {
    const draft = JSON.parse(localStorage.getItem(PREFIX + name));
    return draft && typeof draft.values === "object" ? draft : null;
  } catch {
    return null;
  }
}

export function dropDraft(name) {
  try {
    localStorage.removeItem(PREFIX + name);
  } catch {
    // Then there is none.
  }
}

/** The names of all drafts of new notes, the latest first. */
export function newDrafts() {
  const found = [];
  try {
    for (let place = 0; place < localStorage.length; place += 1) {
      const key = localStorage.key(place);
      if (!key.startsWith(`${PREFIX}new-`)) continue;
      const name = key.slice(PREFIX.length);
      const draft = readDraft(name);
      if (draft) found.push([name, draft]);
    }
  } catch {
    return [];
  }
  return found.sort((one, other) => other[1].time - one[1].time);
}
