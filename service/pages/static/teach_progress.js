// Asks how far retraining is, and opens the page anew when it has ended.

const PAUSE = 400;
const LONGEST_PAUSE = 8000;
const box = document.getElementById("teaching");
const bar = document.getElementById("teaching-progress");
const words = document.getElementById("teaching-words");
let pause = PAUSE;

function tell(job) {
  const percent = Math.min(99, Math.floor((100 * job.done) / Math.max(1, job.total)));
  bar.value = percent;
  const text =
    job.state === "waiting"
      ? "It waits until what was begun before it is done."
      : `${percent} % is done.`;
  if (words.textContent !== text) words.textContent = text;
}

async function ask() {
  try {
    const answer = await fetch(`/api/jobs/${encodeURIComponent(box.dataset.job)}`, {
      headers: { Accept: "application/json" },
    });
    if (!answer.ok) throw new Error(`${answer.status}`);
    const job = await answer.json();
    if (job.state === "done" || job.state === "failed") {
      location.reload();
      return;
    }
    tell(job);
    pause = PAUSE;
  } catch {
    // The service may be starting again; it goes on with the work then.
    words.textContent = "The service does not answer just now. This page goes on asking.";
    pause = Math.min(LONGEST_PAUSE, 2 * pause);
  }
  setTimeout(ask, pause);
}

setTimeout(ask, PAUSE);
