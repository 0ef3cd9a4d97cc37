// A job's page: how far it is, by server-sent events; when it is over, on to what came of it.
const box = document.querySelector(".job[data-live]");
if (box) {
  const events = new EventSource(box.dataset.live);
  events.addEventListener("message", (e) => {
    const job = JSON.parse(e.data);
    if (["done", "failed", "stopped"].includes(job.state)) {
      events.close();
      location.replace(job.url);
      return;
    }
    box.querySelector(".job-state").textContent = job.state === "waiting" ? "Waits for the job before it" : "Under way";
    if (job.total > 0) {
      box.querySelector(".job-bar").value = job.done / job.total;
      box.querySelector(".job-what").textContent = `${job.what}: ${job.done} of ${job.total}`;
    }
  });
}
