// Asks how far a job is, and opens the page anew when it has ended.

const PAUSE = 500;
const LONGEST_PAUSE = 8000;

// `name` begins the ids of the job's box, bar and words; `say` puts a job and its per cent in words.
export function followJob(name, say) {
  const box = document.getElementById(name);
  const bar = document.getElementById(`${name}-progress`);
  const words = document.getElementById(`${name}-words`);
  let pause = PAUSE;

  function tell(job) {
    const percent = Math.min(99, Math.floor((100 * job.done) / Math.max(1, job.total)));
    bar.value = percent;
    const text = say(job, percent);
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
}
