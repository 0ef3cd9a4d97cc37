// The page "Record": what was pressed is sent for the step at which it was offered, what changes is followed live, and a stop is one key away
// whatever has the focus. The page says every second that somebody is there: the desk stops what sounds when nobody is.

const box = document.querySelector("[data-record]");
const say = document.getElementById("say");
const lost = document.getElementById("lost");
let shown = box?.dataset.step;
let sounds = false;
let told = 0;
let asking = false;

const post = (path, fields, more = {}) => fetch(path, { method: "POST", body: new URLSearchParams(fields), headers: { "X-Piece": "1" }, ...more });

async function press(fields) {
  const answer = await post("/record/press", { ...fields, live: "1" }).catch(() => null);
  if (answer?.status === 422) refuse(await answer.text());
}

/** A stop belongs to no step and waits for nothing. */
const stop = () => press({ press: "Esc" });

function refuse(text) {
  const line = document.getElementById("refused");
  line.textContent = text;
  line.hidden = false;
  document.getElementById("ohm")?.select();
}

/** The focus goes to what Enter does next; where nothing should be pressed by chance, to the heading. */
function ready() {
  const form = document.getElementById("press");
  (document.getElementById("ohm") ?? form.querySelector("button.main") ?? document.getElementById("step-title")).focus();
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const fields = Object.fromEntries(new FormData(form));
    fields.press = e.submitter?.value ?? "Enter";
    if (fields.press !== "Enter") delete fields.reads;
    press(fields);
  });
}

const lines = (id, texts) => {
  const place = document.getElementById(id);
  if (!place || [...place.children].map((p) => p.textContent).join("\n") === texts.join("\n")) return;
  place.replaceChildren(...texts.map((text) => Object.assign(document.createElement("p"), { textContent: text })));
};

const number = (v) => (v === null ? "\u2013" : v.toFixed(1));

function follow(now) {
  lines("large", now.large);
  lines("body", now.body);
  lines("said", now.said);
  document.getElementById("said").classList.toggle("said", now.said.length > 0);
  const bar = document.getElementById("pass-bar");
  if (bar) {
    bar.value = now.done_s;
    document.getElementById("pass-time").textContent = `${now.done_s.toFixed(1)} of ${now.total_s.toFixed(1)} s`;
  }
  for (const m of now.meters) {
    const row = document.querySelector(`#meters tr[data-mic="${CSS.escape(m.mic)}"]`);
    if (!row) continue;
    row.querySelector("meter").value = m.peak_db ?? -60;
    row.querySelector(".hold").textContent = number(m.hold_db);
    row.querySelector(".clips").textContent = String(m.clips);
    row.querySelector(".advice").textContent = m.advice;
  }
}

async function renew(now) {
  if (asking) return;
  asking = true;
  const answer = await fetch("/record/step").catch(() => null);
  asking = false;
  if (!answer?.ok) return;
  box.innerHTML = await answer.text();
  shown = document.querySelector("#press [name=step]").value;
  ready();
  say.textContent = [now.title, ...now.large, ...now.said.slice(0, 1), ...(now.stage === "judged" || now.stage === "void" ? now.body.slice(0, 1) : [])].join(". ");
}

if (box) {
  const events = new EventSource(box.dataset.record);
  events.addEventListener("message", (e) => {
    const now = JSON.parse(e.data);
    if (lost) lost.hidden = true;
    if ((now.state === "open") !== (shown !== "opening") || now.state === "none") {
      events.close();
      location.reload();
      return;
    }
    if (now.state === "opening") return;
    sounds = now.sounds;
    // Sent with what comes in: a timer would sleep with a tab that is not looked at.
    if (performance.now() - told > 900) {
      told = performance.now();
      post("/record/here", {}).catch(() => {});
    }
    if (String(now.step) === shown) follow(now);
    else renew(now);
  });
  events.addEventListener("error", () => { if (lost) lost.hidden = false; });
  if (shown !== "opening") {
    ready();
    document.addEventListener("keydown", (e) => {
      if (e.key === "Escape") {
        e.preventDefault();
        stop();
      } else if (e.key === "Enter" && e.repeat) {
        // A key that is held down goes on to nothing.
        e.preventDefault();
      } else if (e.key === "Enter" && !e.target.closest("a, button, input, select, summary")) {
        document.querySelector("#press button.main")?.click();
      }
    }, true);
    // Whoever leaves the page leaves what sounds: it is stopped now, not when it is missed.
    window.addEventListener("pagehide", () => {
      if (sounds) navigator.sendBeacon("/record/press", new URLSearchParams({ press: "Esc" }));
      events.close();
    });
  }
}
