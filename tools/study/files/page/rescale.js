// Axes that fit the curves which are shown. A picture's places are affine in the coordinate of each axis (the value, its decimal
// logarithm, or Q), so that curves are moved and stretched and only the marks of the axes are drawn anew. A picture says
// in data-frame where its axes run, "left top right bottom", and in data-x and data-y what stands at their ends, "low high law".
"use strict";
class FittedAxis {
  constructor(words, from, to) {
    const [low, high, law] = words.split(" ");
    [this.low, this.high, this.law, this.from, this.to] = [Number(low), Number(high), law, from, to];
    this.now = [this.low, this.high];
  }
  // Ends of the coordinates `places` on the page cover, as round as those of the first drawing.
  fit(places) {
    const scale = (this.high - this.low) / (this.to - this.from), ends = places.map((place) => this.low + (place - this.from) * scale);
    const slack = 0.02 * Math.abs(scale);  // places are written to 0.01
    let low = Math.min(...ends), high = Math.max(...ends);
    if (this.law === "log") {
      low = Math.floor(low + slack);
      high = Math.max(Math.ceil(high - slack), low + 1);
    } else {
      if (high - low < 2 * slack) [low, high] = [low - 0.5, high + 0.5];
      this.step = roundStep((high - low) / 6);
      low = Math.floor((low + slack) / this.step) * this.step;
      high = Math.ceil((high - slack) / this.step) * this.step;
    }
    this.now = [low, high];
  }
  // A place of the first drawing, where it lies now.
  moved(place) {
    const coordinate = this.low + (place - this.from) * (this.high - this.low) / (this.to - this.from);
    return this.at(coordinate);
  }
  at(coordinate) {
    return this.from + (coordinate - this.now[0]) / (this.now[1] - this.now[0]) * (this.to - this.from);
  }
  marks() {
    const [low, high] = this.now, marks = [];
    if (this.law !== "log") {
      const count = Math.min(Math.round((high - low) / this.step), 20), value = (i) => Number((low + i * this.step).toPrecision(6));
      for (let i = 0; i <= count; ++i) marks.push([this.at(value(i)), String(value(i))]);
      return marks;
    }
    const stride = Math.ceil((high - low) / 10);
    for (let decade = low; decade <= high; decade += stride) {
      marks.push([this.at(decade), `10<tspan dy="-0.4em" font-size="82%">${decade}</tspan>`]);
      for (let i = 2; i < 10 && stride === 1 && decade < high; ++i) marks.push([this.at(decade + Math.log10(i)), ""]);
    }
    return marks;
  }
}

// 1, 2 or 5 times a power of ten, at least `step`.
function roundStep(step) {
  const power = 10 ** Math.floor(Math.log10(step));
  return power * [1, 2, 5, 10].find((factor) => factor * power >= step * (1 - 1e-9));
}

const kept = (node, name) => node.dataset[name] ??= node.getAttribute(name);
const PAIR = /([ML])(-?[\d.]+) (-?[\d.]+)/g;

function move(node, x, y) {
  if (node.tagName === "path")
    node.setAttribute("d", kept(node, "d").replace(PAIR, (_, letter, a, b) => `${letter}${x.moved(Number(a)).toFixed(2)} ${y.moved(Number(b)).toFixed(2)}`));
  else
    for (const [name, axis] of [["x1", x], ["x2", x], ["y1", y], ["y2", y]]) node.setAttribute(name, axis.moved(Number(kept(node, name))).toFixed(2));
}

function placesOf(node) {
  if (node.tagName === "path") return [...kept(node, "d").matchAll(PAIR)].map((pair) => [Number(pair[2]), Number(pair[3])]);
  return [1, 2].map((end) => [Number(kept(node, "x" + end)), Number(kept(node, "y" + end))]);
}

function drawMarks(picture, x, y, [left, top, right, bottom]) {
  const rule = (x1, y1, x2, y2, label) => `<line x1="${x1}" y1="${y1}" x2="${x2}" y2="${y2}" class="${label ? "grid" : "minor"}"/>`;
  const across = x.marks().map(([at, label]) => rule(at, top, at, bottom, label) + (label && `<text x="${at}" y="${bottom}" text-anchor="middle" dy="1.35em">${label}</text>`));
  const up = y.marks().map(([at, label]) => rule(left, at, right, at, label) + (label && `<text x="${left - 8}" y="${at}" text-anchor="end" dy="0.35em">${label}</text>`));
  picture.querySelector(".marks").innerHTML = [...across, ...up].join("");
  [...picture.querySelectorAll(".marks text[dy='1.35em']")].forEach((text, i) => text.classList.toggle("alternate", i % 2 === 1));
}

// Fits the axes of one picture to its curves that are not hidden; thresholds stay in sight.
function rescale(picture) {
  if (!picture.dataset.frame) return;
  const frame = picture.dataset.frame.split(" ").map(Number), [left, top, right, bottom] = frame;
  const x = new FittedAxis(picture.dataset.x, left, right), y = new FittedAxis(picture.dataset.y, bottom, top);
  const parts = [...picture.querySelectorAll("g[data-series] > path, g[data-series] > line")];
  const shown = parts.filter((part) => !part.closest("[hidden]:not(svg)")).flatMap(placesOf);
  const levels = [...picture.querySelectorAll(".level")];
  if (shown.length === 0) return;
  x.fit(shown.map((place) => place[0]));
  y.fit([...shown, ...levels.flatMap(placesOf)].map((place) => place[1]));
  for (const part of parts) move(part, x, y);
  for (const level of levels) {
    const before = Number(kept(level, "y1")), at = y.moved(before), word = level.nextElementSibling;
    for (const name of ["y1", "y2"]) level.setAttribute(name, at.toFixed(2));
    word.setAttribute("y", (at + Number(kept(word, "y")) - before).toFixed(2));
  }
  drawMarks(picture, x, y, frame);
}
