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
  const held = node.contains(document.activeElement) && document.activeElement.getAttribute("aria-label");
  node.replaceChildren(...make());
  if (held) node.querySelector(`[aria-label="${CSS.escape(held)}"]`)?.focus();
}
function remember(key, value) { try { if (value !== undefined) sessionStorage.setItem(key, value); return sessionStorage.getItem(key) || ""; } catch { return ""; } }
function field(path) {
  let found = picture;
  for (const key of path.split(".")) found = found == null ? undefined : found[key];
  return typeof found === "string" ? found : "";
}

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
  const words = $("do-big").textContent, unit = now.unit || "";
  $("do-big").parentElement.style.setProperty("--ems", Math.max((/[A-Z]{2}/.test(words) ? 0.8 : 0.66) * words.length + (unit ? 0.3 + 0.4 * unit.length : 0), 2));
  const long = (now.why || "").length;
  document.body.dataset.long = long > 300 ? "2" : long > 200 ? "1" : "";
  redraw($("do-checks"), now.checks || [], () => (now.checks || []).map((text) => el("li", {}, text)));
  $("do-old").hidden = !(now.stale || deaf) || !["move", "wait", "check"].includes(what);
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
const Y = { drive: 58, snub: 112, infeed: 330 };
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
    ...frame(), ...belt(low, high, move), ...eyes.map((e) => eye(e, low, high)), ...person(), ...(move ? arrow(move) : []),
  ]);
  const ride = picture.pulleys.map((p) => `At the ${p.pulley} pulley the whole belt rides ${p.belt}.`).join(" ");
  put($("plan-text"), `Plan of the conveyor from above, belt running away from you. ${ride} ${now.head} ${now.big}`);
}
function frame() {
  const made = [];
  for (const x of [62, 278]) made.push(shape("line", { x1: x, x2: x, y1: Y.drive + 8, y2: Y.infeed - 8, class: "p-limit" }));
  for (const y of [Y.drive, Y.infeed]) made.push(shape("rect", { x: 56, y: y - 17, width: 228, height: 34, rx: 4, class: "p-steel" }));
  for (const x of [26, 286]) {
    made.push(shape("rect", { x, y: Y.drive - 14, width: 28, height: 28, class: "p-steel" }));
    made.push(shape("line", { x1: x + 14, x2: x + 14, y1: Y.infeed + 14, y2: Y.infeed + 46, class: "p-screw" }));
    made.push(shape("rect", { x, y: Y.infeed - 14, width: 28, height: 28, class: "p-steel" }));
  }
  return made;
}
function belt(low, high, move) {
  const points = `${90 + low},${Y.infeed + 19} ${90 + high},${Y.drive - 19} ${250 + high},${Y.drive - 19} ${250 + low},${Y.infeed + 19}`;
  const made = [shape("polygon", { points, class: "p-belt" })];
  for (const x of [90, 250]) made.push(shape("line", { x1: x, x2: x, y1: Y.drive - 24, y2: Y.infeed + 24, class: "p-nominal" }));
  const middle = 170 + (low + high) / 2;
  for (const y of picture.running ? [186, 213, 240] : [213]) made.push(shape("path", { d: `M${middle - 26} ${y + 16}L${middle} ${y}L${middle + 26} ${y + 16}`, class: "p-way" }));
  made.push(shape("rect", { x: 60, y: Y.snub - 8, width: 220, height: 16, rx: 8, class: "p-snub" }));
  for (const x of [30, 290]) made.push(shape("rect", { x, y: Y.snub - 10, width: 20, height: 20, class: "p-steel" }));
  made.push(shape("text", { x: 170, y: 24, "text-anchor": "middle" }, "drive pulley"));
  if (!move || move.where !== "snub") made.push(shape("text", { x: 170 + high, y: Y.snub + 28, "text-anchor": "middle", class: "p-on-belt" }, "snub (below)"));
  made.push(shape("text", { x: 170 + low, y: Y.infeed - 26, "text-anchor": "middle", class: "p-on-belt" }, "infeed pulley"));
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
    shape("circle", { cx: 170, cy: 394, r: 10, class: "p-person" }),
    shape("path", { d: "M142 426q0-19 28-19t28 19z", class: "p-person" }),
    shape("text", { x: 134, y: 418, "text-anchor": "end", class: "p-side" }, "◀ left"),
    shape("text", { x: 206, y: 418, class: "p-side" }, "right ▶"),
    shape("text", { x: 170, y: 443, "text-anchor": "middle" }, "you"),
  ];
}
function arrow(move) {
  // Tightened means away from the other pulley: down here for the infeed pulley, up for the snub.
  const x = move.side === "left" ? 40 : 300, y = Y[move.where], down = (move.amount_mm > 0) === (move.where === "infeed");
  const tip = down ? y + 76 : y - 76, neck = down ? y + 44 : y - 44, root = down ? y + 16 : y - 16;
  const d = `M${x - 11} ${root}H${x + 11}V${neck}H${x + 30}L${x} ${tip}L${x - 30} ${neck}H${x - 11}Z`;
  const left = move.side === "left", inner = left ? x + 36 : x - 36, label = down ? y + 52 : y - 24, wide = 27 * move.big.length + 8;
  return [
    ...(move.where === "snub" ? [shape("rect", { x: left ? inner - 6 : inner - wide + 6, y: label - 36, width: wide, height: 46, class: "p-sheet" })] : []),
    shape("rect", { x: x - 23, y: y - 23, width: 46, height: 46, class: "p-here" }),
    shape("path", { d, class: "p-act" }),
    shape("text", { x: inner, y: label, class: "p-size", "text-anchor": left ? "start" : "end" }, move.big),
  ];
}

// ------------------------------------------------------------ how does the belt ride

const RULER = { wide: 640, high: 82, middle: 320 };
const at = (mm) => RULER.middle + share(mm) * RULER.middle * 0.985;
function drawRides() {
  const order = [...picture.pulleys].sort((a, b) => (a.pulley === b.pulley ? (a.looks_at < b.looks_at ? -1 : 1) : a.pulley < b.pulley ? 1 : -1));
  const box = $("rides");
  if (box.childElementCount !== order.length) box.replaceChildren(...order.map(rideBox));
  box.dataset.count = order.length;
  order.forEach((ride, k) => drawRide(box.children[k], ride, order.length > 2));
}
const POINTERS = { edge: "M4 4h16L12 20Z", belt: "M12 2l10 10-10 10L2 12Z" };
function pointer(name) {
  const made = shape("svg", { viewBox: "0 0 24 24", class: `pointer ${name}`, "aria-hidden": "true" });
  made.append(shape("path", { d: POINTERS[name] }));
  return made;
}
function rideBox() {
  const box = el("div", { class: "ride" });
  const says = el("div", { class: "says" }, el("h3"), el("span", { class: "zone" }));
  box.append(says, el("p", { class: "numbers" }), el("p", { class: "numbers" }), shape("svg", { viewBox: `0 0 ${RULER.wide} ${RULER.high}`, role: "img", class: "ruler" }), el("p", { class: "walk" }));
  return box;
}
function drawRide(box, ride, many) {
  const zone = ride.zone.startsWith("EDGE") ? "stop" : ride.zone.includes("warn") ? "warn" : "";
  box.dataset.zone = zone;
  const both = picture.pulleys.filter((p) => p.pulley === ride.pulley).length > 1;
  put(box.querySelector("h3"), many ? `${ride.pulley}, ${ride.looks_at} edge` : both ? `${ride.pulley} pulley, ${ride.looks_at} edge` : `${ride.pulley} pulley`);
  put(box.querySelector(".zone"), `${{ stop: "■ ", warn: "▲ " }[zone] || ""}${ride.zone}`);
  const [edge, whole] = box.querySelectorAll(".numbers");
  redraw(edge, ride.edge, () => [pointer("edge"), el("small", {}, "edge "), el("b", {}, ride.edge)]);
  redraw(whole, ride.belt, () => [pointer("belt"), el("small", {}, "belt "), el("b", {}, ride.belt)]);
  put(box.querySelector(".walk"), ride.behaviour === "unknown" ? ride.walk : `${ride.behaviour}: ${ride.walk}`);
  const drawing = box.querySelector(".ruler");
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
  made.push(shape("rect", { x: 1, y: 27, width: RULER.wide - 2, height: 30, class: "r-rail" }));
  for (const side of [-1, 1]) {
    const [warn, stop] = [at(side * w), at(side * s)], end = side < 0 ? 1 : RULER.wide - 1;
    made.push(shape("rect", { x: Math.min(warn, stop), y: 28, width: Math.abs(stop - warn), height: 28, class: "r-warn" }));
    made.push(shape("rect", { x: Math.min(stop, end), y: 27, width: Math.abs(end - stop), height: 30, class: "r-stop" }));
    for (const [mm, text] of [[c, picture.limits.centre_text], [w, picture.limits.warn_text], [s, picture.limits.stop_text]]) {
      const anchor = mm === c ? "middle" : side < 0 ? "start" : "end";
      const x = mm === s ? end - 2 * side : at(side * mm) + (mm === w ? 12 * side : 0);
      made.push(shape("text", { x, y: 80, "text-anchor": anchor }, text.replace(/ (mm|in)$/, "")));
    }
  }
  made.push(shape("rect", { x: at(-c), y: 22, width: at(c) - at(-c), height: 40, class: "r-band" }));
  made.push(shape("line", { x1: RULER.middle, x2: RULER.middle, y1: 27, y2: 66, class: "r-se" }));
  return made;
}
function pointers(ride) {
  const made = [], known = (v) => v !== null && v !== undefined;
  if (known(ride.low_mm) && known(ride.high_mm)) made.push(shape("rect", { x: at(ride.low_mm), y: 30, width: Math.max(at(ride.high_mm) - at(ride.low_mm), 3), height: 7, class: "r-swing" }));
  if (known(ride.position_mm)) {
    const x = at(ride.position_mm), se = 1.96 * (ride.se_mm || 0);
    made.push(shape("line", { x1: at(ride.position_mm - se), x2: at(ride.position_mm + se), y1: 46, y2: 46, class: "r-se" }));
    made.push(shape("path", { d: `M${x} 33l14 13-14 13-14-13Z`, class: "r-belt" }));
  }
  if (known(ride.edge_mm)) {
    const x = at(ride.edge_mm);
    made.push(shape("path", { d: `M${x - 17} 1h34L${x} 31Z`, class: "r-edge" }));
  }
  return made;
}

// ------------------------------------------------------------ how far are we, what is wrong

function drawStages() {
  redraw($("stages"), picture.stages, () => picture.stages.map((s) => {
    const words = { done: "done", now: "now", ahead: "" }[s.state];
    const item = el("li", { class: s.state }, el("b", {}, `${s.state === "done" ? "✓ " : s.state === "now" ? "▸ " : ""}${s.word} `), el("span", { class: "what" }, s.what));
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
  4: ["circle", { cx: 20, cy: 20, r: 17, fill: "var(--sheet)", stroke: "currentColor", "stroke-width": 3 }, "currentColor"],
};
function alarmGlyph(rank) {
  const [name, attributes, ink] = MARKS[rank], glyph = shape("svg", { viewBox: "0 0 40 40", class: "glyph", "aria-hidden": "true" });
  glyph.append(shape(name, attributes), shape("text", { x: 20, y: rank === 2 ? 33 : 27, fill: ink }, String(rank)));
  return glyph;
}
const classOf = (alarm) => `alarm rank${alarm.rank}${alarm.waiting ? " waiting" : ""}${alarm.gone ? " gone" : ""}`;
// At a glance: the most urgent with what to do, the others by name.
function glanceAlarms([first, ...others]) {
  if (!first) return [el("p", {}, "Nothing is known to be wrong.")];
  const made = [el("div", { class: classOf(first) }, alarmGlyph(first.rank), el("p", {}, el("strong", {}, first.title), ` ${first.what} (${first.standing})`))];
  if (others.length) {
    const alike = (a) => [first, ...others].some((b) => b !== a && b.short === a.short);
    made.push(el("p", { class: "others" }, "Also: ", ...others.slice(0, 3).flatMap((a, k) => [k ? "; " : "", el("span", { class: a.waiting ? "waiting" : "" }, a.mark), ` ${a.short}${alike(a) ? `, ${a.where}` : ""}`]), others.length > 3 ? `; and ${others.length - 3} more` : ""));
  }
  return made;
}
function alarmItem(alarm) {
  const text = el("div", {}, el("strong", {}, `${alarm.title} (${alarm.standing})`), el("p", {}, alarm.what), el("p", { class: "quiet" }, `${alarm.shelved ? `Shelved ${alarm.shelved}. ` : ""}${alarm.more} ${alarm.since}`));
  const deeds = el("div", { class: "row" });
  if (alarm.waiting) deeds.append(deed(`Seen`, `Seen: ${alarm.title}`, () => acknowledge(alarm)));
  if (alarm.shelved) deeds.append(deed("Shelve no longer", `Shelve no longer: ${alarm.title}`, () => ask("shelve", { where: alarm.where, name: alarm.name, minutes: 0 }, `${alarm.name} is shelved no longer`)));
  else if (alarm.shelvable) deeds.append(deed("Shelve …", `Shelve: ${alarm.title}`, () => openShelve(alarm)));
  return el("li", { class: classOf(alarm) }, alarmGlyph(alarm.rank), text, deeds);
}
function deed(word, label, act) {
  const made = el("button", { type: "button", "aria-label": label }, word);
  made.addEventListener("click", () => { $("dialog-alarms").close(); act(); });
  return made;
}
function drawAlarms() {
  const all = picture.alarms, standing = all.filter((a) => !a.shelved), waiting = standing.find((a) => a.waiting);
  redraw($("alarms"), all, () => [
    ...glanceAlarms(standing),
    ...all.filter((a) => a.shelved).slice(0, 2).map((a) => el("p", { class: "others" }, `Shelved: ${a.title}, ${a.shelved}`)),
  ]);
  redraw($("alarm-list"), all, () => (all.length ? all.map(alarmItem) : [el("li", {}, "Nothing is known to be wrong, and nothing is shelved.")]));
  put($("open-alarms"), all.length ? `Alarms (${all.length})` : "Alarms");
  const seen = $("seen");
  seen.hidden = !waiting;
  seen.onclick = () => acknowledge(waiting, seen);
  if (waiting) put(seen, `Seen: ${waiting.short}`);
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
    const fresh = picture.run !== pastRun, asked = picture.revs; // the picture may be another when the answer comes
    const answer = await fetch(`/history.json?after=${fresh ? 0 : Math.max(pastRev, 0)}`);
    if (!answer.ok) return;
    const past = await answer.json();
    figures.keep(past, fresh || past.run !== pastRun);
    pastRun = past.run;
    pastRev = past.rows.length ? past.rows[past.rows.length - 1].rev : fresh ? asked : pastRev;
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
