// A note was saved: what the browser kept of it is not needed any more.
import { draftName, dropDraft } from "./note_drafts.js";

const saved = document.getElementById("saved");
if (saved) {
  dropDraft(draftName(saved.dataset.note, ""));
  if (saved.dataset.draft) dropDraft(draftName("", saved.dataset.draft));
  // To come back to this page later must not throw away a draft begun since.
  history.replaceState(null, "", location.pathname);
}
