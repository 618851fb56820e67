// How far an upload is.

import { followJob } from "./job_progress.js";

followJob("upload", (job, percent) => {
  if (job.state === "waiting") return "It waits until uploads before it are done.";
  return percent < 99 ? `${percent} % was read.` : "All was read; its structures are being named.";
});
