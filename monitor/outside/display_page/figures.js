// For those who look closer: the path of the belt, the raster of revolutions, the camber profile.
"use strict";
const figures = (() => {
  const NS = "http://www.w3.org/2000/svg", MOST = 160, AHEAD = 12;
  let past = { rows: [], moves: [], sections: [], profile: {}, cells: 72, length_mm: 0 };

  function keep(news, fresh) {
    const rows = fresh ? news.rows : [...past.rows, ...news.rows];
    past = { ...news, rows: rows.slice(-MOST) };
  }
  function node(name, attributes, text) {
    const made = document.createElementNS(NS, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (text !== undefined) made.textContent = text;
    return made;
  }
  const known = (v) => v !== null && v !== undefined;
  const word = (mm, units) => (units === "inch" ? `${(Math.abs(mm) / 25.4).toFixed(2)} in` : `${Math.abs(mm).toFixed(Math.abs(mm) < 10 ? 1 : 0)} mm`) + (mm > 0 ? " right" : mm < 0 ? " left" : "");
  const tape = (mm, units) => (units === "inch" ? `${Math.floor(Math.round(mm / 25.4) / 12)} ft ${Math.round(mm / 25.4) % 12} in` : metres(mm, units, 2));
  const metres = (mm, units, digits = 1) => (units === "inch" ? `${(mm / 304.8).toFixed(digits)} ft` : `${(mm / 1000).toFixed(digits)} m`);

  // A frame with lateral position upward; returns the drawing and its two scales.
  function frame(box, label, x0, x1, low, high, units, tall) {
    const wide = Math.max(box.clientWidth, 280), rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
    const left = 6 * rem, right = 10, top = 1.4 * rem, foot = 1.5 * rem, height = tall * rem;
    const drawing = node("svg", { viewBox: `0 0 ${wide} ${height}`, role: "img", "aria-label": label });
    const x = (v) => left + (v - x0) / Math.max(x1 - x0, 1e-9) * (wide - left - right);
    const y = (mm) => top + (high - mm) / Math.max(high - low, 1e-9) * (height - top - foot);
    for (const mm of [low, 0, high]) {
      if (mm < low || mm > high) continue;
      drawing.append(node("line", { x1: left, x2: wide - right, y1: y(mm), y2: y(mm), class: "f-axis" }));
      drawing.append(node("text", { x: left - 6, y: Math.min(Math.max(y(mm) + 5, 14), height - foot), "text-anchor": "end" }, mm === 0 ? "middle" : word(mm, units)));
    }
    return { drawing, x, y, wide, height, rem };
  }
  const line = (points) => points.map(([x, y], k) => `${k ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`).join("");

  // Names of the lines, above the drawing's own ground.
  function names(drawing, list, rem) {
    let x = 6.4 * rem;
    list.forEach((name, k) => {
      drawing.append(node("line", { x1: x, x2: x + 2 * rem, y1: 0.75 * rem, y2: 0.75 * rem, class: `f-${k}` }));
      drawing.append(node("text", { x: x + 2.4 * rem, y: rem }, name));
      x += (4 + 0.55 * name.length) * rem;
    });
  }

  function drawPath(picture) {
    const box = document.getElementById("path"), sensors = picture.pulleys.map((p) => p.sensor), rows = past.rows;
    const seen = rows.flatMap((r) => sensors.map((n) => r.sensors[n]?.position_mm)).filter(known);
    if (seen.length < 2) { box.replaceChildren("Not known yet."); return; }
    const c = picture.limits.centre_mm, first = rows[0].rev, last = rows[rows.length - 1];
    const fans = sensors.map((n) => fan(last.sensors[n], last.rev));
    const all = [...seen, ...fans.flatMap((f) => f.middle.map((p) => p[1])), c, -c];
    const reach = Math.min(1.1 * Math.max(...all.map(Math.abs)), picture.limits.stop_mm);
    const told = sensors.map((n, k) => fans[k].told && `${n}: ${fans[k].told(picture.units)}`).filter(Boolean).join("; ");
    const label = `Path of the whole belt over revolutions ${first} to ${last.rev}; ${past.moves.length} moves. ${told}`;
    const { drawing, x, y, height, rem } = frame(box, label, first, last.rev + AHEAD, -reach, reach, picture.units, 16);
    const foot = height - 1.5 * rem;
    drawing.append(node("rect", { x: x(first), y: y(c), width: x(last.rev + AHEAD) - x(first), height: y(-c) - y(c), class: "f-band" }));
    const moves = past.moves.filter((m) => m.rev >= first);
    for (const move of moves) drawing.append(node("line", { x1: x(move.rev), x2: x(move.rev), y1: 1.4 * rem, y2: foot, class: "f-move" }));
    sensors.forEach((name, k) => {
      const points = rows.filter((r) => known(r.sensors[name]?.position_mm)).map((r) => [x(r.rev), y(clip(r.sensors[name].position_mm, reach))]);
      const place = ([r, mm]) => [x(r), y(clip(mm, reach))];
      if (fans[k].edge.length) {
        drawing.append(node("path", { d: `${line(fans[k].edge.map(place))}Z`, class: "f-fan" }));
        drawing.append(node("path", { d: line(fans[k].middle.map(place)), class: `f-${k} f-ahead` }));
      }
      drawing.append(node("path", { d: line(points), class: `f-${k}` }));
    });
    drawing.append(node("line", { x1: x(last.rev), x2: x(last.rev), y1: 1.4 * rem, y2: foot, class: "f-now" }));
    for (const [k, move] of moves.entries()) {  // last, so that no line strikes a word through
      const near = x(move.rev) > 0.7 * x(last.rev + AHEAD);
      drawing.append(node("text", { x: x(move.rev) + (near ? -4 : 4), y: (2.2 + 0.95 * (k % 4)) * rem, "text-anchor": near ? "end" : "start", class: "f-word" }, moveWord(move, picture.units)));
    }
    names(drawing, sensors, rem);
    drawing.append(node("text", { x: x(first), y: height - 8 }, `revolution ${first}`));
    drawing.append(node("text", { x: x(last.rev), y: height - 8, "text-anchor": "middle" }, `${last.rev}, now`));
    box.replaceChildren(drawing);
  }
  const moveWord = (m, units) => `${m.where} ${m.side} ${m.amount_mm > 0 ? "+" : "−"}${units === "inch" ? `${(Math.abs(m.amount_mm) / 25.4).toFixed(3)} in` : `${Math.abs(m.amount_mm)} mm`}`;
  const clip = (mm, reach) => Math.min(Math.max(mm, -reach), reach);
  // Where it goes if the walk stays what it is. While it settles after a move it does not, so nothing is drawn.
  function fan(row, rev) {
    const none = { edge: [], middle: [], told: null };
    if (!row || !["steady", "drifting"].includes(row.behaviour)) return none;
    const { position_mm: p, position_se_mm: ps, walk_mm_per_rev: w, walk_se_mm_per_rev: ws } = row;
    if (![p, ps, w, ws].every(known)) return none;
    const up = [], down = [], middle = [], half = (n) => 1.96 * Math.hypot(ps, n * ws);
    for (let n = 0; n <= AHEAD; n += 2) {
      up.push([rev + n, p + n * w + half(n)]);
      down.unshift([rev + n, p + n * w - half(n)]);
      middle.push([rev + n, p + n * w]);
    }
    const far = p + AHEAD * w, told = (units) => `in ${AHEAD} revolutions ${word(far, units)}, give or take ${word(half(AHEAD), units).replace(" right", "")}`;
    return { edge: [...up, ...down], middle, told };
  }

  const mix = (a, b, t) => a.map((v, k) => Math.round(v + (b[k] - v) * t));
  function drawRaster(picture) {
    const box = document.getElementById("raster"), made = [], rows = past.rows;
    const [left, zero, right] = [[18, 28, 92], [124, 138, 140], [253, 229, 132]]; // lightness alone tells the side
    for (const { sensor, pulley } of picture.pulleys) {
      const lines = rows.map((r) => r.sensors[sensor]?.edges || []).filter((l) => l.length);
      if (!lines.length) continue;
      const flat = lines.flat().filter(known).map(Math.abs).sort((a, b) => a - b), reach = Math.max(flat[Math.floor(0.98 * (flat.length - 1))] || 0, 1);
      const canvas = document.createElement("canvas");
      canvas.width = past.cells; canvas.height = lines.length;
      canvas.style.height = `${Math.min(Math.max(lines.length * 4, 60), 280)}px`;
      canvas.style.imageRendering = "pixelated";
      canvas.setAttribute("role", "img");
      canvas.setAttribute("aria-label", `Edge at the ${pulley} pulley by place on the belt, last ${lines.length} revolutions, up to ${word(reach, picture.units)}.`);
      const pen = canvas.getContext("2d"), image = pen.createImageData(past.cells, lines.length);
      lines.forEach((cells, r) => cells.forEach((mm, c) => {
        const k = 4 * (r * past.cells + c);
        image.data.set(known(mm) ? mix(zero, mm > 0 ? right : left, Math.min(Math.abs(mm) / reach, 1)) : zero, k);
        image.data[k + 3] = known(mm) ? 255 : 0;
      }));
      pen.putImageData(image, 0, 0);
      const title = document.createElement("h3"), to = past.length_mm ? `${picture.marks ? "from the mark to" : "once round, no mark,"} ${metres(past.length_mm, picture.units)}` : "";
      title.textContent = `${pulley} pulley, ${to}`;
      made.push(title, canvas, legend(reach, [left, zero, right], picture.units));
    }
    box.replaceChildren(...(made.length ? made : ["Not known yet."]));
  }
  function legend(reach, colours, units) {
    const drawing = node("svg", { viewBox: "0 0 420 22", class: "f-legend", "aria-hidden": "true" });
    colours.forEach((c, k) => drawing.append(node("rect", { x: 100 + k * 70, y: 3, width: 70, height: 14, fill: `rgb(${c.join()})`, stroke: "currentColor" })));
    drawing.append(node("text", { x: 94, y: 15, "text-anchor": "end" }, word(-reach, units)), node("text", { x: 316, y: 15 }, word(reach, units)));
    return drawing;
  }

  function drawProfile(picture) {
    const box = document.getElementById("profile"), sensors = picture.pulleys.map((p) => p.sensor).filter((n) => past.profile[n]);
    const all = sensors.flatMap((n) => past.profile[n]).filter(known);
    if (!all.length) { box.replaceChildren("Not known yet."); return; }
    const reach = Math.max(...all.map(Math.abs), 0.5) * 1.15, length = past.length_mm, peak = Math.max(...all) - Math.min(...all);
    const bad = [...new Map(past.sections.filter((s) => s.kind === "alarm-raised" && known(s.start_mm)).map((s) => [Math.round(s.start_mm / 200), s])).values()];
    const spans = bad.map((s) => `${tape(s.start_mm, picture.units)} to ${tape(s.end_mm, picture.units)}`);
    const label = `Camber, ${word(peak, picture.units).replace(" right", "")} from peak to peak over ${metres(length, picture.units)}. ${spans.length ? `Bad section: ${spans.join("; ")} from the mark.` : "No bad section is known."}`;
    const { drawing, x, y, height, rem } = frame(box, label, 0, length, -reach, reach, picture.units, 13);
    bad.forEach((s, k) => {
      const parts = s.end_mm >= s.start_mm ? [[s.start_mm, s.end_mm]] : [[s.start_mm, length], [0, s.end_mm]];
      for (const [a, b] of parts) drawing.append(node("rect", { x: x(a), y: 1.4 * rem, width: Math.max(x(b) - x(a), 3), height: height - 2.9 * rem, class: "f-bad" }));
      const far = x(s.start_mm) > 0.55 * x(length);
      drawing.append(node("text", { x: x(far ? s.start_mm : parts[0][1]) + (far ? -5 : 5), y: height - (1.9 + 0.95 * (k % 4)) * rem, "text-anchor": far ? "end" : "start", class: "f-word" }, `bad: ${spans[k]}`));
    });
    sensors.forEach((name, k) => {
      const values = past.profile[name], points = values.map((mm, i) => [x(i / values.length * length), y(mm)]);
      drawing.append(node("path", { d: line(points), class: `f-${k}` }));
    });
    names(drawing, sensors, rem);
    for (let q = 0; q <= 4; q++) drawing.append(node("text", { x: x(q / 4 * length), y: height - 8, "text-anchor": q === 0 ? "start" : q === 4 ? "end" : "middle" }, metres(q / 4 * length, picture.units)));
    box.replaceChildren(drawing);
  }
  function draw(picture) {
    if (!picture.pulleys.length) return;
    drawPath(picture); drawRaster(picture); drawProfile(picture);
  }
  return { keep, draw };
})();
