// What a person says to the bay: moves, stages, alarms seen or shelved, notes, belts. Every button asks what
// MQTT asks; the daemon decides, and refuses with a reason.
"use strict";

// ------------------------------------------------------------ lengths, for what a person sets here

function inches(mm, finest) {
  let parts = Math.round(Math.abs(mm) / 25.4 * finest), bottom = finest;
  const whole = Math.floor(parts / bottom);
  parts -= whole * bottom;
  if (parts === 0) return `${whole} in`;
  while (parts % 2 === 0) { parts /= 2; bottom /= 2; }
  return `${whole ? whole + " " : ""}${parts}/${bottom} in`;
}
const inInches = () => picture.units === "inch";
const step = () => (inInches() ? 25.4 / 64 : 0.25);
const size = (mm) => (inInches() ? inches(mm, 64) : `${Number(Math.abs(mm).toFixed(2))} mm`);

// ------------------------------------------------------------ asking, and what comes back

let answerTimer = 0;
function tell(text, good) {
  const box = $("answer");
  box.className = good ? "accepted" : "refused";
  put(box.querySelector("p"), text);
  box.hidden = false;
  clearTimeout(answerTimer);
  if (good) answerTimer = setTimeout(() => { box.hidden = true; }, 6000);
}
async function ask(what, content, done, button, mark) {
  const id = mark || Array.from(crypto.getRandomValues(new Uint32Array(3)), (n) => n.toString(36)).join("");
  if (button) button.disabled = true;
  try {
    const answer = await fetch(`/ask/${what}`, {
      method: "POST", body: JSON.stringify({ by: "bay display", ...content, id }),
      headers: { "Content-Type": "application/json", "X-Bay-Pin": remember("pin") },
    });
    const said = await answer.json();
    if (answer.status === 401) askPin(said.why, () => ask(what, content, done, button, id));
    else tell(said.ok ? said.warning || done : said.why, said.ok && !said.warning);
  } catch { tell("The program does not answer. Look whether it was done before you try again.", false); }
  if (button) button.disabled = false;
}
function askPin(why, then) {
  const dialog = $("dialog-pin"), form = dialog.querySelector("form");
  put($("pin-title"), why);
  form.onsubmit = () => { remember("pin", form.pin.value); form.reset(); then(); };
  dialog.showModal();
}
function wordMove(m) { return `${m.amount_mm > 0 ? "tightened" : "eased"} the ${m.side} end, ${m.where === "snub" ? "snub" : "infeed pulley"}, by ${size(m.amount_mm)}`; }
$("made").addEventListener("click", () => {
  const { where, side, amount_mm, big } = picture.do;
  const done = `${amount_mm > 0 ? "tightened" : "eased"} the ${side} end, ${where === "snub" ? "snub" : "infeed pulley"}, by ${big}: logged`;
  ask("move", { where, side, amount_mm }, done, $("made"));
});
let amount_mm = 0;
function setAmount(mm) { amount_mm = Math.min(Math.max(mm, step()), 25); put($("amount"), size(amount_mm)); }
for (const button of document.querySelectorAll("[data-step]")) button.addEventListener("click", () => setAmount(amount_mm + Number(button.dataset.step) * step()));
function openMove(dialog) {
  const now = picture.do, form = dialog.querySelector("form");
  if (now.action === "move") { form.where.value = now.where; form.side.value = now.side; form.way.value = now.amount_mm > 0 ? "1" : "-1"; }
  setAmount(now.action === "move" ? Math.round(Math.abs(now.amount_mm) / step()) * step() : inInches() ? 25.4 / 16 : 1.5);
  form.onsubmit = () => {
    const move = { where: form.where.value, side: form.side.value, amount_mm: Number((amount_mm * Number(form.way.value)).toFixed(3)) };
    ask("move", move, `${wordMove(move)}: logged`);
  };
}
function acknowledge(alarm, button) {
  ask("acknowledge", { where: alarm.where, name: alarm.name }, `${alarm.title}: seen`, button);
}
function openShelve(alarm) {
  const dialog = $("dialog-shelve"), form = dialog.querySelector("form");
  put($("shelve-title"), `Shelve: ${alarm.title}`);
  form.onsubmit = () => {
    const minutes = Number(form.minutes.value);
    ask("shelve", { where: alarm.where, name: alarm.name, minutes, why: form.why.value.replace(/\s+/g, " ").trim() }, `${alarm.title}: shelved for ${minutes} min`);
    form.reset();
  };
  dialog.showModal();
}
const MEASURED = [
  ["level_along_mm_per_m", "Level, along"], ["level_across_mm_per_m", "Level, across"], ["square_left_mm", "Square, left side"],
  ["square_right_mm", "Square, right side"], ["diagonal_1_mm", "Diagonal one"], ["diagonal_2_mm", "Diagonal two"],
  ["marks_before_mm", "Two marks, slack"], ["marks_after_mm", "Two marks, tensioned"],
];
const NUMBER = "\\s*[\\-+]?([0-9]+[.,]?[0-9]*|[.,][0-9]+)\\s*";
const unitOf = (key) => (key.endsWith("_per_m") ? (inInches() ? "in per ft" : "mm per m") : inInches() ? "in" : "mm");
const factorOf = (key) => (!inInches() ? 1 : key.endsWith("_per_m") ? 1000 / 12 : 25.4);
function openStage(dialog) {
  const form = dialog.querySelector("form"), box = $("measured"), stages = picture.stages;
  $("stage-choice").replaceChildren(...stages.filter((s) => s.state === "now" || s.name === "set-up").map((s) => {
    const input = el("input", { type: "radio", name: "stage", value: s.name });
    input.checked = s.state === "now";
    return el("label", {}, input, el("span", {}, s.word));
  }));
  box.replaceChildren(box.firstElementChild, ...MEASURED.map(([key, word]) => el("label", {}, `${word}, ${unitOf(key)}`, el("input", { name: key, inputmode: "decimal", autocomplete: "off", pattern: NUMBER, title: "a number" }))));
  const show = () => {
    box.hidden = form.stage.value !== "set-up";
    for (const input of box.querySelectorAll("input")) input.disabled = box.hidden;
  };
  form.onchange = show;
  show();
  form.onsubmit = () => {
    const stage = form.stage.value, measurements = {};
    for (const [key] of stage === "set-up" ? MEASURED : []) {
      const text = form[key].value.trim().replace(",", ".");
      if (!text) continue;
      measurements[key] = Number((Number(text) * factorOf(key)).toFixed(4));
    }
    const by = form.by.value.replace(/\s+/g, " ").trim();
    ask("stage", { done: stage, measurements, ...(by ? { by } : {}) }, `stage ${stage} is done`);
  };
}
const OPENERS = {
  move: openMove, stage: openStage,
  alarms: () => {},
  note: (dialog) => { const form = dialog.querySelector("form"); form.onsubmit = () => { ask("note", { text: form.text.value.replace(/\s+/g, " ").trim() }, "written down"); form.reset(); }; },
  belt: (dialog) => { const form = dialog.querySelector("form"); form.onsubmit = () => { ask("belt", { serial: form.serial.value.trim() }, `belt ${form.serial.value.trim()} begins`); form.reset(); }; },
};
for (const button of document.querySelectorAll("[data-opens]")) {
  button.addEventListener("click", () => { const dialog = $(`dialog-${button.dataset.opens}`); OPENERS[button.dataset.opens](dialog); dialog.showModal(); });
}
for (const button of document.querySelectorAll("[data-close]")) button.addEventListener("click", () => button.closest("dialog").close());
$("answer").querySelector("button").addEventListener("click", () => { $("answer").hidden = true; });
