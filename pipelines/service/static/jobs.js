// Jobs: asked, watched by server-sent events, cancelled, tried again.

import { ask, doing, say } from "./asking.js";

const QUICK_DRAWS = 32; // a first look; what is to be driven deserves the full number
const ENDED = ["done", "refused", "failed", "cancelled"];

function words(job) {
  if (job.headline) return job.headline;
  if (job.problem) {
    return job.problem.problems.map((p) => `${p.where} ${p.what}${p.value ? ` = ${p.value}` : ""}: ${p.allowed}. ${p.remedy}`).join(" ");
  }
  return job.state === "running" ? `${job.stage}, ${Math.round(100 * job.share)} %` : "";
}

function entry(job) {
  const found = document.querySelector(`[data-job-id="${job.id}"]`);
  if (found) return found;
  const made = document.createElement("li");
  made.dataset.jobId = job.id;
  const stamp = document.createElement("span");
  const kind = document.createElement("strong");
  const said = document.createElement("span");
  said.className = "words";
  kind.textContent = job.kind;
  const liking = document.createElement("small");
  liking.textContent = job.preference || "";
  const bar = document.createElement("progress");
  bar.max = 1;
  bar.setAttribute("aria-label", `Progress of ${job.kind}`);
  const cancel = document.createElement("button");
  cancel.type = "button";
  cancel.className = "small";
  cancel.dataset.cancel = job.id;
  cancel.textContent = "Cancel";
  cancel.addEventListener("click", () => stop(cancel));
  made.append(stamp, " ", kind, " ", liking, " ", said, " ", bar, " ", cancel);
  const list = document.getElementById("jobs");
  list.querySelector(":scope > .faint")?.remove();
  list.prepend(made);
  return made;
}

const stop = (button) => doing(button, async () => {
  await ask("POST", `/api/jobs/${button.dataset.cancel}/cancel`);
});

function show(job) {
  const place = entry(job);
  place.dataset.state = job.state;
  const stamp = place.firstElementChild;
  stamp.className = `stamp ${job.state}`;
  stamp.textContent = job.state;
  place.querySelector(".words").textContent = words(job);
  const bar = place.querySelector("progress");
  bar.hidden = job.state !== "running";
  bar.value = job.share;
  document.getElementById("said").textContent = ENDED.includes(job.state) ? "" : `${job.kind}: ${job.state} ${words(job)}`;
}

function watch(id) {
  const source = new EventSource(`/api/jobs/${id}/events`);
  let last = null;
  source.addEventListener("job", (event) => {
    last = JSON.parse(event.data);
    show(last);
  });
  source.addEventListener("end", () => {
    source.close();
    if (last && last.state === "done") {
      // The page is drawn anew where the reader is; an edit that is not kept yet is not lost without a word.
      if (document.getElementById("editor")?.dataset.edited === "yes") {
        say(`${last.kind} is done. Keep your edit, then load the page again to see the result.`);
      } else location.reload();
    } else if (last) say(`${last.kind}: ${last.state}. ${words(last)}`);
  });
}

export function setUpJobs(car) {
  for (const button of document.querySelectorAll("[data-job]")) {
    button.addEventListener("click", () =>
      doing(button, async () => {
        const kind = button.dataset.job;
        const body = { kind };
        if (kind === "propose" || kind === "refine") {
          body.preference = document.getElementById("preference").value;
          body.budget = document.getElementById("budget").value;
          if (body.budget === "quick") body.draws = QUICK_DRAWS;
        }
        const job = await ask("POST", `/api/cars/${car.id}/jobs`, body);
        show(job);
        if (ENDED.includes(job.state)) say(`This was answered already: ${words(job)}`);
        else watch(job.id);
      }));
  }
  for (const button of document.querySelectorAll("[data-cancel]")) button.addEventListener("click", () => stop(button));
  for (const button of document.querySelectorAll("[data-retry]")) {
    button.addEventListener("click", () =>
      doing(button, async () => {
        await ask("POST", `/api/jobs/${button.dataset.retry}/retry`);
        location.reload();
      }));
  }
  for (const place of document.querySelectorAll("[data-job-id]")) {
    if (!ENDED.includes(place.dataset.state)) watch(place.dataset.jobId);
  }
}
