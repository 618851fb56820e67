// How far retraining is.

import { followJob } from "./job_progress.js";

followJob("teaching", (job, percent) =>
  job.state === "waiting"
    ? "It waits until what was begun before it is done."
    : `${percent} % is done.`,
);
