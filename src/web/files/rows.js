// The sheet of samples: one ruled row each, with its letter, hear, and choose or rate. All rows look alike, whatever sounds in them.
import { say } from "./words.js";

const make = (tag, give = {}, ...inside) => {
  const one = document.createElement(tag);
  const { data, ...plain } = give;
  Object.assign(one, plain);
  Object.assign(one.dataset, data);
  one.append(...inside);
  return one;
};

/** The button that sounds a sample. */
function hear(label, tapped) {
  const button = make("button", { type: "button", className: "hear", textContent: say("trial.hear"), data: { label } });
  button.setAttribute("aria-label", say("trial.hear.one", { label }));
  button.setAttribute("aria-pressed", "false");
  button.addEventListener("click", tapped);
  return button;
}

/** A slider without a value until it is touched: also where the touch lands on the value that it stands at. */
export function unsaid(slider, told) {
  slider.value = 50;
  slider.classList.add("unsaid");
  slider.setAttribute("aria-valuetext", say("extra.unsaid"));
  delete slider.dataset.said;
  if (slider.dataset.watched) return;
  slider.dataset.watched = "1";
  const touched = () => {
    slider.dataset.said = "1";
    slider.classList.remove("unsaid");
    slider.removeAttribute("aria-valuetext");
    told();
  };
  slider.addEventListener("input", touched);
  slider.addEventListener("pointerup", touched);
}

/** A choice in its row. */
function choose(label, method, word, changed) {
  const input = make("input", { type: "radio", name: "choice", value: label });
  input.addEventListener("change", changed);
  return make("label", { className: "choose" }, input, make("span", { className: "away", textContent: `${label}: ` }), say(`pick.${method}`, { word }));
}

/** A rating in its row. */
function rate(label, changed) {
  const slider = make("input", { type: "range", min: 0, max: 100, data: { label } });
  slider.setAttribute("aria-label", say("trial.rate.one", { label }));
  const shown = make("output", { textContent: "\u2013" });
  unsaid(slider, () => { shown.textContent = slider.value; changed(); });
  return make("span", { className: "rate" }, slider, shown);
}

/** The labels in the order of the rows: what is compared with comes first. */
export const ordered = (trial) => {
  const all = trial.slots.map((s) => s.label);
  return [...all.filter((l) => !trial.choices.includes(l)), ...all.filter((l) => trial.choices.includes(l))];
};

/** The rows of a trial. */
export function rows(trial, { method, word, tapped, changed }) {
  return ordered(trial).map((label) => {
    const row = make("li", { data: { label } },
      make("span", { className: "letter", textContent: label }),
      hear(label, () => tapped(label)),
      make("span", { className: "heard soft", textContent: say("trial.unheard") }));
    if (trial.choices.includes(label)) row.append(method === "graded" ? rate(label, changed) : choose(label, method, word, changed));
    return row;
  });
}

/** The rows of a training: everything by its open name. */
export function open(found, tapped) {
  return found.sounds.map((sound, place) => {
    const name = sound.name ?? say(found.samples ? "training.sample" : "training.setup", { n: sound.number });
    return make("li", { data: { label: String(place) } }, make("span", { className: "name", textContent: name }), hear(name, () => tapped(place)));
  });
}

/** Shows which one sounds; none with null. */
export function press(list, label) {
  for (const row of list.children) row.querySelector(".hear").setAttribute("aria-pressed", String(row.dataset.label === label));
}
