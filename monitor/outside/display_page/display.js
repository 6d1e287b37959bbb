// The bay display: draws each picture of the bay as it comes. Nothing is computed here that the daemon knows.
"use strict";
const $ = (id) => document.getElementById(id);
const SVG = "http://www.w3.org/2000/svg";
const DEAF_MS = 2500; // the daemon speaks at least once a second
let picture = JSON.parse($("first").textContent);
let heardMs = performance.now();
let pastRun = null, pastRev = -1, fetching = false;

function el(name, attributes = {}, ...inside) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...inside);
  return made;
}
function shape(name, attributes = {}, text = "") {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text) made.textContent = text;
  return made;
}
function put(node, text) { if (node.textContent !== text) node.textContent = text; }
// Rebuild only when what it shows has changed, so that focus and screen readers are left alone.
function redraw(node, content, make) {
  const key = JSON.stringify(content);
  if (node.dataset.key === key) return;
  node.dataset.key = key;
  node.replaceChildren(...make());
}
function field(path) {
  let found = picture;
  for (const key of path.split(".")) found = found == null ? undefined : found[key];
  return typeof found === "string" ? found : "";
}

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

// ------------------------------------------------------------ may I trust it

function drawTrust(level) {
  const marks = {
    yes: [["circle", { cx: 20, cy: 20, r: 15, fill: "currentColor" }]],
    part: [["path", { d: "M20 3 38 36H2Z", fill: "none", stroke: "currentColor", "stroke-width": 4 }]],
    no: [["path", { d: "M6 6 34 34M34 6 6 34", stroke: "currentColor", "stroke-width": 7 }]],
  };
  redraw($("trust-glyph"), level, () => marks[level].map(([n, a]) => shape(n, a)));
  document.body.dataset.trust = level;
}

// ------------------------------------------------------------ what do I do now

function kind() {
  const now = picture.do;
  if (now.urgent) return "stop";
  if (now.action === "none") return picture.verdict === "tracked" ? "tracked" : "none";
  return now.action;
}
function clock(seconds) {
  const s = Math.ceil(seconds);
  return `${Math.floor(s / 60)}:${String(s % 60).padStart(2, "0")}`;
}
function drawDo(deaf) {
  const now = picture.do, what = kind();
  document.body.dataset.do = what;
  if (now.action === "wait") drawWait(now);
  else redraw($("do-turns"), "", () => []);
  redraw($("do-checks"), now.checks || [], () => (now.checks || []).map((text) => el("li", {}, text)));
  $("do-old").hidden = !(now.stale || deaf) || !now.why || what === "stop";
  const made = $("made");
  made.hidden = what !== "move" || now.stale || deaf;
}
function drawWait(now) {
  const left = now.left_rev, known = left !== null && left !== undefined;
  if (!known) { put($("do-big"), ""); return; }
  const whole = Math.ceil(left - 1e-6);
  put($("do-big"), left <= 0 ? "…" : now.left_s !== null ? clock(now.left_s) : `${whole} rev`);
  const words = left <= 0 ? "judging now" : `${left < 9.95 ? left.toFixed(1) : whole} revolutions left`;
  const rings = whole > 0 && whole <= 12 ? whole : 0, part = left - Math.floor(left);
  redraw($("do-turns"), [rings, Math.round(part * 20), words], () => [...ringsOf(rings, part), el("span", {}, words)]);
}
function ringsOf(count, part) {
  const made = [];
  for (let k = 0; k < count; k++) {
    const ring = shape("svg", { viewBox: "0 0 30 30", "aria-hidden": "true" }), share = k < count - 1 || part === 0 ? 1 : part;
    ring.append(shape("circle", { cx: 15, cy: 15, r: 11, opacity: 0.3 }));
    ring.append(shape("circle", { cx: 15, cy: 15, r: 11, "stroke-dasharray": `${share * 69.12} 70`, transform: "rotate(-90 15 15)" }));
    made.push(ring);
  }
  return made;
}

// ------------------------------------------------------------ the plan from above

// Every zone has its own fixed place: half of the scale is the band, then up to the warning, then up to the limit.
function share(mm) {
  const { centre_mm: c, warn_mm: w, stop_mm: s } = picture.limits, a = Math.abs(mm);
  const to = a <= c ? 0.42 * a / c : a <= w ? 0.42 + 0.26 * (a - c) / (w - c) : a <= s ? 0.68 + 0.24 * (a - w) / (s - w) : 0.96;
  return Math.sign(mm) * to;
}
const Y = { drive: 62, snub: 112, infeed: 352 };
function offset(pulley) {
  const ride = picture.pulleys.find((p) => p.pulley === pulley) || picture.pulleys[0];
  const mm = ride && (ride.position_mm ?? ride.edge_mm);
  return mm == null ? 0 : share(mm) * 40;
}
function drawPlan(deaf) {
  const now = picture.do, move = kind() === "move" && !now.stale && !deaf ? now : null;
  const low = Math.round(offset("infeed")), high = Math.round(offset("drive"));
  const eyes = picture.pulleys.map((p) => [p.pulley, p.looks_at, p.quality]);
  const key = [low, high, move && [move.where, move.side, move.amount_mm], eyes, picture.running];
  redraw($("plan-drawing"), key, () => [
    ...frame(), ...belt(low, high), ...eyes.map((e) => eye(e, low, high)), ...person(), ...(move ? arrow(move) : []),
  ]);
  const ride = picture.pulleys.map((p) => `At the ${p.pulley} pulley the whole belt rides ${p.belt}.`).join(" ");
  put($("plan-text"), `Plan of the conveyor from above, belt running away from you. ${ride} ${now.head} ${now.big}`);
}
function frame() {
  const made = [];
  for (const x of [62, 278]) made.push(shape("line", { x1: x, x2: x, y1: 70, y2: 344, class: "p-limit" }));
  for (const y of [Y.drive, Y.infeed]) made.push(shape("rect", { x: 56, y: y - 17, width: 228, height: 34, rx: 4, class: "p-steel" }));
  for (const x of [26, 286]) {
    made.push(shape("rect", { x, y: Y.drive - 14, width: 28, height: 28, class: "p-steel" }));
    made.push(shape("line", { x1: x + 14, x2: x + 14, y1: Y.infeed + 14, y2: Y.infeed + 46, class: "p-screw" }));
    made.push(shape("rect", { x, y: Y.infeed - 14, width: 28, height: 28, class: "p-steel" }));
  }
  return made;
}
function belt(low, high) {
  const points = `${90 + low},${Y.infeed + 19} ${90 + high},${Y.drive - 19} ${250 + high},${Y.drive - 19} ${250 + low},${Y.infeed + 19}`;
  const made = [shape("polygon", { points, class: "p-belt" })];
  for (const x of [90, 250]) made.push(shape("line", { x1: x, x2: x, y1: Y.drive - 24, y2: Y.infeed + 24, class: "p-nominal" }));
  const middle = 170 + (low + high) / 2;
  for (const y of picture.running ? [205, 232, 259] : [232]) made.push(shape("path", { d: `M${middle - 26} ${y + 16}L${middle} ${y}L${middle + 26} ${y + 16}`, class: "p-way" }));
  made.push(shape("rect", { x: 60, y: Y.snub - 8, width: 220, height: 16, rx: 8, class: "p-snub" }));
  for (const x of [30, 290]) made.push(shape("rect", { x, y: Y.snub - 10, width: 20, height: 20, class: "p-steel" }));
  made.push(shape("text", { x: 170, y: 22, "text-anchor": "middle" }, "drive pulley"));
  made.push(shape("text", { x: 170, y: Y.snub - 13, "text-anchor": "middle", class: "p-on-belt" }, "snub, below"));
  made.push(shape("text", { x: 170, y: Y.infeed - 28, "text-anchor": "middle", class: "p-on-belt" }, "infeed pulley"));
  return made;
}
function eye([pulley, side, quality], low, high) {
  const y = Y[pulley] + (pulley === "infeed" ? -26 : 80), at = pulley === "infeed" ? low : high;
  const x = (side === "left" ? 90 : 250) + at, out = side === "left" ? -16 : 16;
  const d = `M${x + out / 8} ${y}L${x + out} ${y - 8}V${y + 8}Z`;
  return shape("path", { d, class: quality === "good" || quality === "unknown" ? "p-eye" : "p-snub" });
}
function person() {
  return [
    shape("circle", { cx: 170, cy: 424, r: 9, class: "p-person" }),
    shape("path", { d: "M146 452q0-16 24-16t24 16z", class: "p-person" }),
    shape("text", { x: 134, y: 446, "text-anchor": "end" }, "◀ left"),
    shape("text", { x: 206, y: 446 }, "right ▶"),
    shape("text", { x: 170, y: 467, "text-anchor": "middle", class: "p-fine" }, "you, looking the way the belt runs"),
  ];
}
function arrow(move) {
  // Tightened means away from the other pulley: down here for the infeed pulley, up for the snub.
  const x = move.side === "left" ? 40 : 300, y = Y[move.where], down = (move.amount_mm > 0) === (move.where === "infeed");
  const tip = down ? y + 86 : y - 86, neck = down ? y + 52 : y - 52, root = down ? y + 16 : y - 16;
  const d = `M${x - 10} ${root}H${x + 10}V${neck}H${x + 26}L${x} ${tip}L${x - 26} ${neck}H${x - 10}Z`;
  const inner = move.side === "left" ? x + 30 : x - 30;
  return [
    shape("rect", { x: x - 22, y: y - 22, width: 44, height: 44, class: "p-here" }),
    shape("path", { d, class: "p-act" }),
    shape("text", { x: inner, y: down ? y + 56 : y - 40, class: "p-size", "text-anchor": move.side === "left" ? "start" : "end" }, move.big),
  ];
}

// ------------------------------------------------------------ how does the belt ride

const RULER = { wide: 640, high: 104, middle: 320 };
const at = (mm) => RULER.middle + share(mm) * RULER.middle * 0.985;
function drawRides() {
  const order = [...picture.pulleys].sort((a, b) => (a.pulley < b.pulley ? 1 : -1));
  const box = $("rides");
  if (box.childElementCount !== order.length) box.replaceChildren(...order.map(rideBox));
  order.forEach((ride, k) => drawRide(box.children[k], ride));
}
function rideBox() {
  const box = el("div", { class: "ride" });
  const says = el("div", { class: "says" }, el("h3"), el("span", { class: "zone" }));
  const numbers = el("p", { class: "numbers says" }, el("span"), el("span"));
  box.append(says, numbers, shape("svg", { viewBox: `0 0 ${RULER.wide} ${RULER.high}`, role: "img" }), el("p", { class: "walk" }));
  return box;
}
function drawRide(box, ride) {
  const zone = ride.zone.startsWith("EDGE") ? "stop" : ride.zone.includes("warning") ? "warn" : "";
  box.dataset.zone = zone;
  put(box.querySelector("h3"), `${ride.pulley} pulley, ${ride.looks_at} edge`);
  put(box.querySelector(".zone"), `${{ stop: "■ ", warn: "▲ " }[zone] || ""}${ride.zone}`);
  const [edge, whole] = box.querySelectorAll(".numbers span");
  redraw(edge, ride.edge, () => [el("small", {}, "edge now "), ride.edge]);
  redraw(whole, ride.belt, () => [el("small", {}, "whole belt "), ride.belt]);
  put(box.querySelector(".walk"), ride.behaviour === "unknown" ? ride.walk : `${ride.behaviour}: ${ride.walk}`);
  const drawing = box.querySelector("svg");
  drawing.setAttribute("aria-label", `Edge now ${ride.edge}. Whole belt ${ride.belt}. Band ${picture.limits.centre_text} to each side, limit ${picture.limits.stop_text}.`);
  const places = [ride.edge_mm, ride.position_mm, ride.se_mm, ride.low_mm, ride.high_mm].map((v) => (v == null ? null : Math.round(at(v) * 2)));
  redraw(drawing, [places, picture.limits], () => [...rail(), ...pointers(ride)]);
}
function rail() {
  const { centre_mm: c, warn_mm: w, stop_mm: s } = picture.limits, made = [];
  const hatch = shape("pattern", { id: "hatch", width: 9, height: 9, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
  hatch.append(shape("rect", { width: 3, height: 9, fill: "var(--line)" }));
  made.push(shape("defs"));
  made[0].append(hatch);
  made.push(shape("rect", { x: 1, y: 30, width: RULER.wide - 2, height: 36, class: "r-rail" }));
  for (const side of [-1, 1]) {
    const [warn, stop] = [at(side * w), at(side * s)], end = side < 0 ? 1 : RULER.wide - 1;
    made.push(shape("rect", { x: Math.min(warn, stop), y: 31, width: Math.abs(stop - warn), height: 34, class: "r-warn" }));
    made.push(shape("rect", { x: Math.min(stop, end), y: 30, width: Math.abs(end - stop), height: 36, class: "r-stop" }));
    for (const [mm, text] of [[c, picture.limits.centre_text], [w, picture.limits.warn_text], [s, picture.limits.stop_text]]) {
      const anchor = mm !== s ? "middle" : side < 0 ? "start" : "end", x = mm === s ? end + (side < 0 ? 2 : -2) : at(side * mm);
      made.push(shape("text", { x, y: 98, "text-anchor": anchor }, text.replace(/ (mm|in)$/, "")));
    }
  }
  made.push(shape("rect", { x: at(-c), y: 24, width: at(c) - at(-c), height: 48, class: "r-band" }));
  made.push(shape("line", { x1: RULER.middle, x2: RULER.middle, y1: 30, y2: 78, class: "r-se" }));
  return made;
}
function pointers(ride) {
  const made = [], known = (v) => v !== null && v !== undefined;
  if (known(ride.low_mm) && known(ride.high_mm)) made.push(shape("rect", { x: at(ride.low_mm), y: 33, width: Math.max(at(ride.high_mm) - at(ride.low_mm), 3), height: 8, class: "r-swing" }));
  if (known(ride.position_mm)) {
    const x = at(ride.position_mm), se = 1.96 * (ride.se_mm || 0);
    made.push(shape("line", { x1: at(ride.position_mm - se), x2: at(ride.position_mm + se), y1: 52, y2: 52, class: "r-se" }));
    made.push(shape("path", { d: `M${x} 40l13 12-13 12-13-12Z`, class: "r-belt" }));
  }
  if (known(ride.edge_mm)) {
    const x = at(ride.edge_mm);
    made.push(shape("path", { d: `M${x - 16} 2h32L${x} 34Z`, class: "r-edge" }));
  }
  return made;
}

// ------------------------------------------------------------ how far are we, what is wrong

function drawStages() {
  redraw($("stages"), picture.stages, () => picture.stages.map((s) => {
    const words = { done: "done", now: "now", ahead: "" }[s.state];
    const item = el("li", { class: s.state }, el("b", {}, `${s.state === "done" ? "✓ " : s.state === "now" ? "▸ " : ""}${s.word} `), s.what);
    if (words === "now") item.setAttribute("aria-current", "step");
    if (words === "done") item.append(el("span", { class: "unseen" }, " done"));
    return item;
  }));
  const hold = picture.hold || { lasted_s: 0, of_s: 1 };
  document.querySelector("#hold .bar i").style.width = `${Math.min(100 * hold.lasted_s / hold.of_s, 100)}%`;
}
const MARKS = {
  1: ["rect", { x: 3, y: 3, width: 34, height: 34, fill: "var(--danger)" }, "#fff"],
  2: ["path", { d: "M20 2 39 37H1Z", fill: "var(--odd)", stroke: "#1b1f22", "stroke-width": 2 }, "#1b1f22"],
  3: ["path", { d: "M20 1 39 20 20 39 1 20Z", fill: "var(--odd)", stroke: "#1b1f22", "stroke-width": 2 }, "#1b1f22"],
  4: ["circle", { cx: 20, cy: 20, r: 17, fill: "none", stroke: "currentColor", "stroke-width": 3 }, "currentColor"],
};
function alarmItem(alarm) {
  const [name, attributes, ink] = MARKS[alarm.rank], glyph = shape("svg", { viewBox: "0 0 40 40", class: "glyph", "aria-hidden": "true" });
  glyph.append(shape(name, attributes), shape("text", { x: 20, y: alarm.rank === 2 ? 33 : 27, fill: ink }, String(alarm.rank)));
  const title = [alarm.title, alarm.place === "bay" ? "" : `at ${alarm.place}`, alarm.size].filter(Boolean).join(" ");
  const state = alarm.gone ? "gone, not yet acknowledged" : alarm.waiting ? alarm.priority : `${alarm.priority}, acknowledged`;
  const text = el("div", {}, el("strong", {}, `${title} (${state})`), alarm.gone ? alarm.cause : alarm.action);
  if (alarm.section) text.append(` ${alarm.section}.`);
  const item = el("li", { class: `rank${alarm.rank}${alarm.waiting ? " waiting" : ""}${alarm.gone ? " gone" : ""}` }, glyph, text);
  if (alarm.waiting) {
    const seen = el("button", { type: "button", "aria-label": `Seen: ${title}` }, "Seen");
    seen.addEventListener("click", () => ask("acknowledge", { where: alarm.where, name: alarm.name }, `${alarm.title} is acknowledged`, seen));
    item.append(seen);
  }
  return item;
}
function drawAlarms() {
  redraw($("alarms"), picture.alarms, () => (picture.alarms.length ? picture.alarms.map(alarmItem) : [el("li", { class: "none" }, "Nothing is known to be wrong.")]));
}

// ------------------------------------------------------------ all of it

function draw() {
  const deaf = performance.now() - heardMs > DEAF_MS;
  for (const slot of document.querySelectorAll("[data-s]")) {
    if (!(slot.id === "do-big" && picture.do.action === "wait")) put(slot, field(slot.dataset.s));
  }
  if (deaf) {
    put(document.querySelector('[data-s="trust.word"]'), "No connection");
    put(document.querySelector('[data-s="trust.why"]'), "This page hears nothing from the program: what stands here is old. Watch the belt by eye.");
    put(document.querySelector('[data-s="trust.age"]'), `nothing heard for ${Math.round((performance.now() - heardMs) / 1000)} s`);
  }
  drawTrust(deaf ? "no" : picture.trust.level);
  drawDo(deaf);
  if (picture.pulleys.length) { drawPlan(deaf); drawRides(); }
  drawStages();
  drawAlarms();
  if (picture.run !== pastRun || picture.revs !== pastRev) fetchPast();
}
async function fetchPast() {
  if (fetching) return;
  fetching = true;
  try {
    const fresh = picture.run !== pastRun;
    const answer = await fetch(`/history.json?after=${fresh ? 0 : Math.max(pastRev, 0)}`);
    if (!answer.ok) return;
    const past = await answer.json();
    figures.keep(past, fresh || past.run !== pastRun);
    pastRun = past.run;
    pastRev = past.rows.length ? past.rows[past.rows.length - 1].rev : fresh ? picture.revs : pastRev;
    figures.draw(picture);
  } catch { /* the next picture tries again */ } finally { setTimeout(() => { fetching = false; }, 400); }
}
function listen() {
  const stream = new EventSource("/events");
  stream.onmessage = (event) => {
    picture = JSON.parse(event.data);
    heardMs = performance.now();
    draw();
  };
  stream.onerror = () => {
    if (stream.readyState === EventSource.CLOSED) setTimeout(listen, 2000);
  };
}

// ------------------------------------------------------------ what a person says

function remember(key, value) { try { if (value !== undefined) sessionStorage.setItem(key, value); return sessionStorage.getItem(key) || ""; } catch { return ""; } }
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
const MEASURED = [
  ["level_along_mm_per_m", "Level, along"], ["level_across_mm_per_m", "Level, across"], ["square_left_mm", "Square, left side"],
  ["square_right_mm", "Square, right side"], ["diagonal_1_mm", "Diagonal one"], ["diagonal_2_mm", "Diagonal two"],
  ["marks_before_mm", "Two marks, slack"], ["marks_after_mm", "Two marks, tensioned"],
];
const unitOf = (key) => (key.endsWith("_per_m") ? (inInches() ? "in per ft" : "mm per m") : inInches() ? "in" : "mm");
const factorOf = (key) => (!inInches() ? 1 : key.endsWith("_per_m") ? 1000 / 12 : 25.4);
function openStage(dialog) {
  const form = dialog.querySelector("form"), box = $("measured"), stages = picture.stages;
  $("stage-choice").replaceChildren(...stages.filter((s) => s.state === "now" || s.name === "set-up").map((s) => {
    const input = el("input", { type: "radio", name: "stage", value: s.name });
    input.checked = s.state === "now";
    return el("label", {}, input, el("span", {}, s.word));
  }));
  box.replaceChildren(box.firstElementChild, ...MEASURED.map(([key, word]) => el("label", {}, `${word}, ${unitOf(key)}`, el("input", { name: key, inputmode: "decimal", autocomplete: "off" }))));
  const show = () => { box.hidden = form.stage.value !== "set-up"; };
  form.onchange = show;
  show();
  form.onsubmit = (event) => {
    const stage = form.stage.value, measurements = {};
    for (const [key, word] of stage === "set-up" ? MEASURED : []) {
      const text = form[key].value.trim().replace(",", ".");
      if (!text) continue;
      if (!Number.isFinite(Number(text))) { event.preventDefault(); tell(`${word}: a number was expected`, false); return; }
      measurements[key] = Number((Number(text) * factorOf(key)).toFixed(4));
    }
    ask("stage", { done: stage, measurements }, `stage ${stage} is done`);
  };
}
const OPENERS = {
  move: openMove, stage: openStage,
  note: (dialog) => { const form = dialog.querySelector("form"); form.onsubmit = () => { ask("note", { text: form.text.value.replace(/\s+/g, " ").trim() }, "written down"); form.reset(); }; },
  belt: (dialog) => { const form = dialog.querySelector("form"); form.onsubmit = () => { ask("belt", { serial: form.serial.value.trim() }, `belt ${form.serial.value.trim()} begins`); form.reset(); }; },
};
for (const button of document.querySelectorAll("[data-opens]")) {
  button.addEventListener("click", () => { const dialog = $(`dialog-${button.dataset.opens}`); OPENERS[button.dataset.opens](dialog); dialog.showModal(); });
}
for (const button of document.querySelectorAll("[data-close]")) button.addEventListener("click", () => button.closest("dialog").close());
$("answer").querySelector("button").addEventListener("click", () => { $("answer").hidden = true; });

// ------------------------------------------------------------ light and size

const root = document.documentElement;
function setLook(lamp, larger) { if (lamp) root.dataset.lamp = lamp; root.dataset.size = larger || "0"; }
$("lamp").addEventListener("click", () => {
  const dark = root.dataset.lamp ? root.dataset.lamp === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
  setLook(remember("lamp", dark ? "light" : "dark"), root.dataset.size);
  figures.draw(picture);
});
$("size").addEventListener("click", () => { setLook(root.dataset.lamp, remember("size", String((Number(root.dataset.size || 0) + 1) % 3))); figures.draw(picture); });
setLook(remember("lamp"), remember("size"));
addEventListener("resize", () => figures.draw(picture));
draw();
listen();
setInterval(() => { if (performance.now() - heardMs > DEAF_MS) draw(); }, 500);
