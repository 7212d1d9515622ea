// What the page gains by script: readings under the pointer and by the arrow keys, other axes, a choice of curves, and
// the numbers as CSV. Everything that matters stands without it.
"use strict";
function element(name, properties, ...children) {
  const node = Object.assign(document.createElement(name), properties);
  node.append(...children);
  return node;
}

// The browser's clipboard where it may be used, else a field to copy from by hand.
async function copy(owner, output) {
  const text = owner.dataset.csv, rows = text.trimEnd().split("\n").length - 1;
  try {
    await navigator.clipboard.writeText(text);
    output.textContent = `${rows} rows are on the clipboard as CSV`;
  } catch {
    owner.querySelector(".byhand")?.remove();
    const field = element("textarea", { className: "byhand", value: text, readOnly: true, ariaLabel: "the numbers as CSV" });
    owner.append(field);
    field.select();
    output.textContent = document.execCommand("copy") ? `${rows} rows are on the clipboard as CSV` : "copy the numbers from the field";
  }
}

function addCopy(owner, tools, output) {
  const button = element("button", { type: "button", textContent: "Copy CSV" });
  button.addEventListener("click", () => copy(owner, output));
  tools.append(button);
}

const shownPicture = (figure) => figure.querySelector(".plot > svg:not([hidden])");

function addSpacings(figure, tools) {
  const pictures = [...figure.querySelectorAll(".plot > svg")];
  if (pictures.length < 2) return;
  const buttons = pictures.map((picture, i) => element("button", { type: "button", textContent: picture.dataset.spacing + " axis", ariaPressed: String(i === 0) }));
  buttons.forEach((button, i) => button.addEventListener("click", () => {
    pictures.forEach((picture, k) => picture.toggleAttribute("hidden", k !== i));
    buttons.forEach((other, k) => { other.ariaPressed = String(k === i); });
    figure.reader.clear();
  }));
  tools.append(...buttons);
}

function addChoice(figure) {
  for (const item of figure.querySelectorAll(".legend li")) {
    const box = element("input", { type: "checkbox", checked: true });
    box.addEventListener("change", () => {
      for (const part of figure.querySelectorAll(`.plot g[data-series="${item.dataset.series}"]`)) part.toggleAttribute("hidden", !box.checked);
      item.classList.toggle("out", !box.checked);
      for (const picture of figure.querySelectorAll(".plot > svg")) rescale(picture);
      figure.reader.clear();
    });
    item.replaceChildren(element("label", {}, box, ...item.childNodes));
  }
}

// Reads the points of one figure aloud and in its line of tools.
class Reader {
  constructor(figure, output) {
    this.figure = figure;
    this.output = output;
    const plot = figure.querySelector(".plot");
    this.ring = document.createElementNS(plot.querySelector("svg").namespaceURI, "rect");
    this.ring.setAttribute("class", "read");
    plot.tabIndex = 0;
    plot.setAttribute("aria-label", plot.getAttribute("aria-label") + "; the arrow keys read its points");
    plot.addEventListener("pointermove", (event) => this.point(event));
    plot.addEventListener("pointerleave", () => this.clear());
    plot.addEventListener("keydown", (event) => this.key(event));
    plot.addEventListener("blur", () => this.clear());
  }
  marks() {
    return [...shownPicture(this.figure).querySelectorAll(".mark")].filter((mark) => !mark.closest("[hidden]"));
  }
  centre(mark) {
    const box = mark.getBoundingClientRect();
    return [box.left + box.width / 2, box.top + box.height / 2];
  }
  show(mark) {
    this.mark = mark;
    const box = mark.getBBox();
    for (const [name, value] of [["x", box.x - 3], ["y", box.y - 3], ["width", box.width + 6], ["height", box.height + 6], ["rx", 3]]) this.ring.setAttribute(name, value);
    mark.ownerSVGElement.append(this.ring);
    this.output.textContent = mark.dataset.reading;
  }
  clear() {
    this.mark = null;
    this.ring.remove();
    this.output.textContent = "";
  }
  point(event) {
    const picture = shownPicture(this.figure);
    if (picture.dataset.corners) return this.place(event, picture);
    const under = event.target.closest(".mark");
    if (under && !under.matches(".faint")) return this.show(under);
    let best = null, least = 40 ** 2;
    for (const mark of this.marks()) {
      if (mark.tagName === "rect") continue;
      const [x, y] = this.centre(mark), apart = (x - event.clientX) ** 2 + (y - event.clientY) ** 2;
      if (apart < least) [best, least] = [mark, apart];
    }
    if (best) this.show(best); else this.clear();
  }
  // In the complex plane the pointer itself is read.
  place(event, picture) {
    const [left, top, right, bottom] = picture.dataset.corners.split(" ").map(Number), most = Number(picture.dataset.most);
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(picture.getScreenCTM().inverse());
    const re = ((at.x - left) / (right - left) * 2 - 1) * most, im = (1 - (at.y - top) / (bottom - top) * 2) * most;
    this.output.textContent = Math.max(Math.abs(re), Math.abs(im)) > most ? "" : `in phase ${re.toFixed(2)}, quadrature ${im.toFixed(2)}`;
  }
  key(event) {
    const marks = this.marks(), now = marks.indexOf(this.mark);
    if (marks.length === 0) return;
    const along = { ArrowRight: now + 1, ArrowLeft: now - 1, Home: 0, End: marks.length - 1 }[event.key];
    if (event.key === "Escape") this.clear();
    else if (now < 0 && event.key.startsWith("Arrow")) this.show(marks[0]);
    else if (along !== undefined) this.show(marks[Math.min(Math.max(along, 0), marks.length - 1)]);
    else if (event.key === "ArrowUp" || event.key === "ArrowDown") this.show(this.beside(marks, event.key === "ArrowUp"));
    else return;
    event.preventDefault();
  }
  // The nearest point of another curve at the same place, above or below.
  beside(marks, above) {
    const [x, y] = this.centre(this.mark);
    const found = marks.filter((mark) => mark !== this.mark && (above ? this.centre(mark)[1] < y - 0.5 : this.centre(mark)[1] > y + 0.5) && Math.abs(this.centre(mark)[0] - x) < 8);
    return found.sort((a, b) => Math.abs(this.centre(a)[1] - y) - Math.abs(this.centre(b)[1] - y))[0] ?? this.mark;
  }
}

for (const figure of document.querySelectorAll("figure")) {
  const output = element("output", {}), tools = element("div", { className: "tools" });
  // The browser's own small windows would stand beside the reading.
  for (const title of figure.querySelectorAll(".mark > title")) {
    title.parentNode.dataset.reading = title.textContent;
    title.remove();
  }
  figure.reader = new Reader(figure, output);
  addSpacings(figure, tools);
  addCopy(figure, tools, output);
  tools.append(output);
  figure.prepend(tools);
  addChoice(figure);
}
for (const numbers of document.querySelectorAll(".numbers")) {
  const output = element("output", {}), tools = element("div", { className: "tools" });
  addCopy(numbers, tools, output);
  tools.append(output);
  numbers.prepend(tools);
}

// Closed on the screen, open on paper.
const folded = document.querySelectorAll("details");
for (const part of folded) part.open = false;
addEventListener("beforeprint", () => { for (const part of folded) { part.dataset.was = part.open ? "open" : ""; part.open = true; } });
addEventListener("afterprint", () => { for (const part of folded) part.open = part.dataset.was === "open"; });
