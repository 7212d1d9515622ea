// Small plots on a canvas: axes that end on round numbers, lines, dashed lines, levels; densities of points.
"use strict";

const plot = (() => {
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  let palette = {};
  const repaint = () => {
    for (const name of ["ink", "soft", "rule", "card", "paper", "c0", "c1", "c2", "c3", "bad", "good"]) palette[name] = colour("--" + name);
    palette.rgb = palette.ink.match(/[0-9a-f]{2}/gi).map((part) => parseInt(part, 16));
  };
  repaint();
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", repaint);

  // What is out of sight is not drawn, which leaves more rounds for what is in sight. It is drawn when it comes there.
  const away = new Set(), watched = new WeakSet();
  const watcher = new IntersectionObserver((seen) => {
    let back = false;
    for (const { target, isIntersecting } of seen) {
      if (isIntersecting) back = away.delete(target) || back; else away.add(target);
    }
    if (back) dispatchEvent(new Event("insight"));
  }, { rootMargin: "150px" });
  addEventListener("beforeprint", () => { away.clear(); dispatchEvent(new Event("insight")); });
  function outOfSight(canvas, says) {
    label(canvas, says);
    if (!watched.has(canvas)) { watched.add(canvas); watcher.observe(canvas); }
    return away.has(canvas);
  }

  /// The canvas at the screen's own resolution, cleared, with sizes in CSS pixels.
  function paper(canvas) {
    const scale = window.devicePixelRatio || 1;
    const width = canvas.clientWidth, height = canvas.clientHeight;
    if (canvas.width !== Math.round(width * scale) || canvas.height !== Math.round(height * scale)) {
      canvas.width = Math.round(width * scale);
      canvas.height = Math.round(height * scale);
    }
    const pen = canvas.getContext("2d");
    pen.setTransform(scale, 0, 0, scale, 0, 0);
    pen.clearRect(0, 0, width, height);
    return { pen, width, height };
  }

  // Words that stand off what lies behind them.
  function haloed(pen, text, [x, y], width) {
    pen.save();
    pen.setLineDash([]);
    pen.strokeStyle = palette.card;
    pen.lineWidth = width;
    pen.lineJoin = "round";
    pen.strokeText(text, x, y);
    pen.restore();
    pen.fillText(text, x, y);
  }

  function step(span, most) {
    const raw = span / most, power = 10 ** Math.floor(Math.log10(raw));
    return power * [1, 2, 5, 10].find((factor) => factor * power >= 0.7 * raw);  // a mark more than asked for, not one alone
  }

  const digits = (size) => Math.max(0, Math.min(8, -Math.floor(Math.log10(size) + 1e-9)));

  function range(lines, pick, given) {
    if (given) return given;
    let low = Infinity, high = -Infinity;
    for (const line of lines)
      for (const value of line[pick]) if (Number.isFinite(value)) { if (value < low) low = value; if (value > high) high = value; }
    if (!(low <= high)) return null;
    if (high - low < 1e-12) { const room = Math.abs(high) * 0.1 || 1; return [low - room, high + room]; }
    return [low, high];
  }

  function emptyNote(canvas, text) {
    if (outOfSight(canvas, text)) return;
    const { pen, width, height } = paper(canvas);
    pen.fillStyle = palette.soft;
    pen.font = "13px Georgia, serif";
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    const lines = [""];
    for (const word of text.split(" ")) {
      const longer = (lines[lines.length - 1] + " " + word).trim();
      if (pen.measureText(longer).width > width - 12) lines.push(word); else lines[lines.length - 1] = longer;
    }
    lines.forEach((line, i) => pen.fillText(line, width / 2, height / 2 + 17 * (i - (lines.length - 1) / 2)));
  }

  function label(canvas, text) {
    if (!canvas.hasAttribute("role")) canvas.setAttribute("role", "img");
    if (canvas.getAttribute("aria-label") !== text) canvas.setAttribute("aria-label", text);
  }

  /// lines: [{x, y, colour: "c0", dashed, thin, dots, name}]; options: {x: [a, b], y: [a, b], log, levels: [{at, name}], says}
  function lines(canvas, curves, options = {}) {
    if (outOfSight(canvas, options.says || "a plot")) return;
    const drawn = curves.filter((curve) => curve.x.length > 0);
    const xs = range(drawn, "x", options.x);
    let ys = range(drawn, "y", options.y);
    if (drawn.length === 0 || !xs || !ys) return emptyNote(canvas, options.empty || "nothing to draw");
    const { pen, width, height } = paper(canvas);
    const box = { left: 46, right: width - 8, top: 8, bottom: height - 22 };
    if (!options.y && !options.log) { const room = 0.06 * (ys[1] - ys[0]); ys = [ys[0] - room, ys[1] + 3.5 * room]; }
    const toX = (x) => box.left + (x - xs[0]) / (xs[1] - xs[0]) * (box.right - box.left);
    const toY = (y) => box.bottom - (y - ys[0]) / (ys[1] - ys[0]) * (box.bottom - box.top);
    pen.lineWidth = 1;
    pen.font = "11.5px Georgia, serif";
    const dx = step(xs[1] - xs[0], Math.max(3, (box.right - box.left) / 58));
    const dy = options.log ? Math.max(1, Math.round((ys[1] - ys[0]) / 5)) : step(ys[1] - ys[0], Math.max(2, (box.bottom - box.top) / 34));
    pen.strokeStyle = palette.rule;
    pen.fillStyle = palette.soft;
    pen.textAlign = "center";
    pen.textBaseline = "top";
    for (let x = Math.ceil(xs[0] / dx - 1e-9) * dx; x <= xs[1] + 1e-9 * dx; x += dx) {
      pen.beginPath(); pen.moveTo(toX(x), box.top); pen.lineTo(toX(x), box.bottom); pen.stroke();
      pen.fillText((Math.abs(x) < dx * 1e-6 ? 0 : x).toFixed(digits(dx)), toX(x), box.bottom + 5);
    }
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    for (let y = Math.ceil(ys[0] / dy - 1e-9) * dy; y <= ys[1] + 1e-9 * dy; y += dy) {
      pen.beginPath(); pen.moveTo(box.left, toY(y)); pen.lineTo(box.right, toY(y)); pen.stroke();
      pen.fillText(options.log ? "1e" + Math.round(y) : (Math.abs(y) < dy * 1e-6 ? 0 : y).toFixed(digits(dy)), box.left - 5, toY(y));
    }
    pen.save();
    pen.beginPath(); pen.rect(box.left, box.top - 1, box.right - box.left, box.bottom - box.top + 2); pen.clip();
    for (const level of options.levels || []) {
      if (!Number.isFinite(level.at)) continue;
      pen.strokeStyle = palette.soft;
      pen.setLineDash([6, 3]);
      pen.beginPath(); pen.moveTo(box.left, toY(level.at)); pen.lineTo(box.right, toY(level.at)); pen.stroke();
      pen.textAlign = level.left ? "left" : "right";
      pen.textBaseline = toY(level.at) < box.top + 16 ? "top" : "bottom";
      const at = [level.left ? box.left + 4 : box.right - 3, toY(level.at) - (pen.textBaseline === "bottom" ? 1 : -2)];
      haloed(pen, level.name, at, 3);
    }
    for (const curve of drawn) {
      pen.strokeStyle = pen.fillStyle = palette[curve.colour || "c0"];
      pen.lineWidth = curve.thin ? (curve.dashed ? 1.2 : 0.8) : 1.6;
      pen.globalAlpha = curve.alpha || 1;
      pen.setLineDash(curve.dashed ? [5, 3] : []);
      pen.beginPath();
      let down = false;
      for (let i = 0; i < curve.x.length; ++i) {
        const y = curve.y[i];
        if (!Number.isFinite(y)) { down = false; continue; }
        if (curve.dots) pen.rect(toX(curve.x[i]) - 1.3, toY(y) - 1.3, 2.6, 2.6);
        else if (down) pen.lineTo(toX(curve.x[i]), toY(y));
        else pen.moveTo(toX(curve.x[i]), toY(y));
        down = true;
      }
      if (curve.dots) pen.fill(); else pen.stroke();
    }
    pen.globalAlpha = 1;
    pen.setLineDash([]);
    pen.restore();
    names(pen, box, drawn);
  }

  // At the upper left, each with a stroke of its line: told apart by dashes and order, not by colour alone.
  function names(pen, box, curves) {
    let x = box.left + 6;
    pen.font = "11.5px Georgia, serif";
    pen.textAlign = "left";
    pen.textBaseline = "middle";
    for (const curve of curves) {
      if (!curve.name) continue;
      const wide = pen.measureText(curve.name).width;
      pen.fillStyle = palette.card;
      pen.globalAlpha = 0.85;
      pen.fillRect(x - 2, box.top + 1, wide + 26, 14);
      pen.globalAlpha = 1;
      pen.strokeStyle = palette[curve.colour || "c0"];
      pen.lineWidth = curve.thin ? 0.8 : 2;
      pen.setLineDash(curve.dashed ? [5, 3] : []);
      pen.beginPath(); pen.moveTo(x, box.top + 8); pen.lineTo(x + 16, box.top + 8); pen.stroke();
      pen.setLineDash([]);
      pen.fillStyle = palette.ink;
      pen.fillText(curve.name, x + 20, box.top + 8);
      x += wide + 30;
    }
  }

  const kCells = 72, kSide = 2.1;  // of a density: cells each way, and how many rms values it reaches

  /// Counts of re, im pairs (mean power 1) in kCells x kCells cells, added to `held` after that has faded.
  function density(points, held, fade) {
    const cells = held || new Float32Array(kCells * kCells);
    for (let i = 0; i < cells.length; ++i) cells[i] *= fade;
    const scale = kCells / (2 * kSide) ;
    for (let i = 0; i + 1 < points.length; i += 2) {
      const column = Math.floor((points[i] + kSide) * scale), row = Math.floor((kSide - points[i + 1]) * scale);
      if (column >= 0 && column < kCells && row >= 0 && row < kCells) cells[row * kCells + column] += 1;
    }
    return cells;
  }

  function paintDensity(canvas, cells, says) {
    if (outOfSight(canvas, says)) return;
    if (canvas.width !== kCells) { canvas.width = kCells; canvas.height = kCells; }
    const pen = canvas.getContext("2d"), image = pen.createImageData(kCells, kCells);
    let most = 1;
    for (const count of cells) if (count > most) most = count;
    const [r, g, b] = palette.rgb;
    for (let i = 0; i < cells.length; ++i) {
      image.data[4 * i] = r; image.data[4 * i + 1] = g; image.data[4 * i + 2] = b;
      image.data[4 * i + 3] = cells[i] < 0.05 ? 0 : Math.round(40 + 215 * Math.sqrt(cells[i] / most));
    }
    pen.putImageData(image, 0, 0);
  }

  /// Points on a sphere that is seen from longitude and latitude [rad]; those behind are faint.
  function sphere(canvas, points, longitude, latitude, says) {
    if (outOfSight(canvas, says)) return;
    const { pen, width, height } = paper(canvas);
    const radius = Math.min(width, height) / 2 - 16, cx = width / 2, cy = height / 2;
    const cl = Math.cos(longitude), sl = Math.sin(longitude), cb = Math.cos(latitude), sb = Math.sin(latitude);
    const turn = ([a, b, c]) => { const x = cl * b - sl * a, depth = cl * a + sl * b; return [cx + radius * x, cy - radius * (cb * c - sb * depth), cb * depth + sb * c]; };
    pen.strokeStyle = palette.rule;
    pen.lineWidth = 1;
    pen.beginPath(); pen.arc(cx, cy, radius, 0, 2 * Math.PI); pen.stroke();
    for (const circle of [(t) => [Math.cos(t), Math.sin(t), 0], (t) => [Math.cos(t), 0, Math.sin(t)], (t) => [0, Math.cos(t), Math.sin(t)]]) {
      pen.beginPath();
      for (let i = 0; i <= 72; ++i) { const [x, y] = turn(circle(i / 72 * 2 * Math.PI)); if (i) pen.lineTo(x, y); else pen.moveTo(x, y); }
      pen.stroke();
    }
    for (const front of [false, true]) {
      pen.fillStyle = palette.c0;
      pen.globalAlpha = front ? 0.75 : 0.2;
      for (const point of points) { const [x, y, depth] = turn(point); if ((depth >= 0) === front) pen.fillRect(x - 1, y - 1, 2, 2); }
    }
    pen.globalAlpha = 1;
    pen.fillStyle = palette.ink;
    pen.font = "12px Georgia, serif";
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    for (const [name, axis] of [["S1", [1.13, 0, 0]], ["S2", [0, 1.13, 0]], ["S3", [0, 0, 1.13]]]) haloed(pen, name, turn(axis), 4);
  }

  return { lines, density, paintDensity, sphere, emptyNote, cells: kCells, side: kSide };
})();
