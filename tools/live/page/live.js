// The page's end of the bench: what is turned goes out, what was computed comes in. One message in flight each way.
"use strict";

const bench = window.bench = { hello: null, state: null, round: null, told: null, theory: null, history: [], rounds: 0, chosen: 0, all: false, sent: 0, shownAt: 0 };

(() => {
  const byId = (id) => document.getElementById(id);
  const kHistory = 240;
  let socket = null, waiting = new Map(), queued = false, drawnVersion = 0, chosenTitle = "", resume = null;

  const say = (text, bad = false) => { const status = byId("status"); if (status.textContent !== text) status.textContent = text; status.classList.toggle("bad", bad); };
  const send = (message) => { if (socket && socket.readyState === WebSocket.OPEN) socket.send(JSON.stringify(message)); };
  bench.send = send;

  // The newest value of each knob, once a frame at most.
  function turned(key, text) {
    waiting.set(key, text);
    if (queued) return;
    queued = true;
    requestAnimationFrame(() => {
      queued = false;
      for (const [name, value] of waiting) send({ set: { key: name, value } });
      waiting.clear();
      bench.sent = performance.now();
    });
  }
  bench.turn = turned;

  // bytes: length of the JSON, the JSON, the arrays (tools/live/packet.h).
  function unpack(bytes) {
    const length = new DataView(bytes).getUint32(0, true), from = 4 + length;
    const place = (value) => {
      if (Array.isArray(value)) return value.map(place);
      if (value === null || typeof value !== "object") return value;
      if (value.type === "f32") return new Float32Array(bytes, from + value.at, value.n);
      if (value.type === "i16") return Float32Array.from(new Int16Array(bytes, from + value.at, value.n), (integer) => integer * value.scale);
      return Object.fromEntries(Object.entries(value).map(([name, inner]) => [name, place(inner)]));
    };
    return place(JSON.parse(new TextDecoder().decode(new Uint8Array(bytes, 4, length))));
  }

  function fill(select, entries, first) {
    select.replaceChildren(knobs.element("option", { value: "" }, first), ...entries.map(([value, text]) => knobs.element("option", { value }, text)));
  }

  function greet(hello) {
    bench.hello = hello;
    knobs.build(hello.keys, turned);
    fill(byId("preset"), hello.presets.map((preset) => [preset.name, preset.name]), "as started");
    fill(byId("lecture"), hello.lecture.map((step, i) => [String(i), `${i + 1}. ${step.title}`]), "no step");
  }

  function card(block, index) {
    const { element } = knobs;
    const name = element("button", { type: "button", class: "name", "aria-pressed": "false" }, block.title);
    name.addEventListener("click", () => choose(block.title));
    const top = element("div", { class: "top" }, name);
    if (index >= 0) {
      const box = element("input", { type: "checkbox", id: "block-" + index });
      box.addEventListener("change", () => send({ block: { index, on: box.checked } }));
      top.append(element("label", { class: "switch", for: box.id }, box, "in"));
    }
    return element("div", { class: "card block", "data-block": block.title }, top, element("div", { class: "pair" }, element("canvas"), element("canvas")), element("p"));
  }

  function showBlocks(blocks) {
    const names = ["lanes", ...blocks.map((block) => block.title)].join("|"), place = byId("chain");
    if (place.dataset.names !== names) {
      place.dataset.names = names;
      place.replaceChildren(card({ title: "lanes" }, -1), ...blocks.map(card));
    }
    blocks.forEach((block, index) => {
      const root = place.children[index + 1], box = root.querySelector("input");
      box.checked = block.on;
      box.disabled = !block.may;
      box.parentElement.title = block.may ? (block.on ? "take it out" : "put it back") : `cannot be taken out: ${block.why}`;
      root.classList.toggle("off", !block.on && !block.stand_in);
      const note = !block.on ? (block.stand_in ? `off; ${block.stand_in} in its place` : "off") : "";
      if (note) root.querySelector("p").textContent = note;
    });
  }

  // Index among the blocks of the round (those that are on), from the title.
  function findChosen() {
    const blocks = bench.round ? bench.round.blocks : [];
    const at = blocks.findIndex((block) => block.title === chosenTitle);
    return at < 0 ? Math.max(0, blocks.length - 1) : at;
  }

  function choose(title) {
    chosenTitle = title;
    bench.chosen = findChosen();
    look();
    byId("focus-title").textContent = "Behind " + title;
    for (const button of document.querySelectorAll(".block .name")) button.setAttribute("aria-pressed", String(button.textContent === title));
    draw(false);
  }
  bench.choose = choose;

  const look = () => send({ look: { block: bench.chosen, all: bench.all } });

  function showState(state) {
    const before = bench.state;
    bench.state = state;
    byId("bench-name").textContent = state.bench;
    const beside = knobs.show(state.values, state.changed, state.error);
    if (state.error && !beside) say(state.error.text, true);
    knobs.sift();
    showBlocks(state.blocks);
    const step = state.lecture >= 0 ? bench.hello.lecture[state.lecture] : null;
    byId("lesson").hidden = !step;
    byId("lecture").value = step ? String(state.lecture) : "";
    if (step && (!before || before.lecture !== state.lecture)) {
      byId("lesson-title").textContent = `${state.lecture + 1}. ${step.title}`;
      byId("lesson-text").textContent = step.text;
      choose(step.block);
    }
    if (!state.error) document.body.classList.add("waiting");
  }

  function showRound(round) {
    const fresh = round.version !== drawnVersion;
    drawnVersion = round.version;
    bench.round = round;
    bench.rounds += 1;
    if (round.line) bench.told = round.line;
    if (fresh) bench.theory = null;
    if (round.theory !== undefined) bench.theory = round.theory;
    if (round.cautions) byId("cautions").replaceChildren(...round.cautions.map((text) => knobs.element("p", {}, "Caution: " + text)));
    const theory = bench.theory || {};
    bench.history.push({ ber: round.one.bits > 0 ? round.one.ber : NaN, floor: 1 / Math.max(1, round.one.bits), snr: round.one.snr_db === null ? NaN : round.one.snr_db, theory_ber: NaN, theory_snr: NaN, turned: fresh });
    for (let i = bench.history.length - 1, left = round.round; i >= 0 && left > 0; --i, --left) {
      bench.history[i].theory_ber = theory.ber > 0 ? theory.ber : NaN;
      bench.history[i].theory_snr = Number.isFinite(theory.snr_db) && theory.snr_db !== null ? theory.snr_db : NaN;
    }
    if (bench.history.length > kHistory) bench.history.shift();
    const chosen = findChosen();
    if (chosen !== bench.chosen || (round.look !== chosen && round.look < round.blocks.length)) { bench.chosen = chosen; look(); }
    if (round.version === (bench.state || {}).version) document.body.classList.remove("waiting");
    draw(fresh);
    say(round.warnings.length > 0 ? round.warnings[0] : "", false);
    byId("strip-note").textContent = bench.theory && bench.theory.of ? "\u2014 theory: " + bench.theory.of : "";
    bench.shownAt = performance.now();
  }

  function draw(fresh) {
    const round = bench.round;
    if (!round) return;
    const rate = Number(bench.state.values["signal.symbol_rate_gbd"]);
    instruments.chain(round, bench.chosen, fresh);
    instruments.focus(round, bench.chosen, bench.told, rate);
    instruments.readings(round, bench.theory);
    instruments.strips(bench.history, round.threshold_ber);
    if (!chosenTitle && round.blocks[bench.chosen]) byId("focus-title").textContent = "Behind " + round.blocks[bench.chosen].title;
  }

  function hear(message) {
    if (message.type === "hello") greet(message);
    else if (message.type === "state") showState(message);
    else if (message.type === "fault") {
      if (bench.state && message.version !== bench.state.version) return;
      bench.fault = message;
      if (!knobs.fault(message.key, message.text)) say((message.key ? message.key + ": " : "") + message.text, true);
      else say("This bench cannot run: see the knob.", true);
    } else if (message.type === "progress") { if (performance.now() - bench.shownAt > 1000) say(`Computing a round: ${10 * Math.round(10 * message.done)} %`); }
    else if (message.type === "saved" && resume) { resume(message); resume = null; }
  }

  function connect() {
    socket = new WebSocket(location.href.replace(/^http/, "ws").replace(/[?#].*$/, "") + "bench");
    socket.binaryType = "arraybuffer";
    socket.onopen = () => say("Setting up the bench.");
    socket.onmessage = (event) => {
      if (typeof event.data === "string") return hear(JSON.parse(event.data));
      const round = unpack(event.data);
      // Drawn with the screen's next frame; only then may another come. A hidden page draws, and so gets, none.
      requestAnimationFrame(() => { showRound(round); send({ ack: true }); });
    };
    socket.onclose = (event) => say(event.reason ? `The bench closed the line: ${event.reason}. Reload to try again.` : "The bench has ended. Start cohlink live again.", true);
  }

  const saved = () => new Promise((done) => { resume = done; send({ save: true }); });

  byId("save").addEventListener("click", async () => {
    const message = await saved(), link = knobs.element("a", { download: "cohlink-live.ini" });
    link.href = URL.createObjectURL(new Blob([message.ini], { type: "text/plain" }));
    link.click();
    URL.revokeObjectURL(link.href);
    say(`Saved cohlink-live.ini: ${message.rounds} rounds, repeated by ${message.command}`);
  });
  byId("copy").addEventListener("click", async () => {
    const message = await saved();
    bench.copied = message.command;
    try { await navigator.clipboard.writeText(message.command); say("Copied: " + message.command); } catch { say(message.command); }
  });
  bench.save = saved;
  byId("preset").addEventListener("change", (event) => send(event.target.value ? { preset: event.target.value } : { start: true }));
  byId("lecture").addEventListener("change", (event) => send(event.target.value ? { lecture: Number(event.target.value) } : { start: true }));
  byId("next").addEventListener("click", () => send({ lecture: (Math.max(-1, bench.state.lecture) + 1) % bench.hello.lecture.length }));
  byId("hold").addEventListener("click", (event) => {
    const on = event.target.getAttribute("aria-pressed") !== "true";
    event.target.setAttribute("aria-pressed", String(on));
    send({ hold: on });
  });
  byId("find").addEventListener("input", knobs.sift);
  byId("every").addEventListener("change", knobs.sift);
  for (const radio of document.getElementsByName("samples")) radio.addEventListener("change", () => { bench.all = radio.value === "all" && radio.checked; look(); });

  const sphere = byId("sphere");
  const turn = (dx, dy) => {
    instruments.view.longitude += dx;
    instruments.view.latitude = Math.max(-1.5, Math.min(1.5, instruments.view.latitude + dy));
    if (bench.round) instruments.sphere(bench.round.blocks[bench.chosen]);
  };
  sphere.addEventListener("keydown", (event) => {
    const way = { ArrowLeft: [-0.15, 0], ArrowRight: [0.15, 0], ArrowUp: [0, 0.15], ArrowDown: [0, -0.15] }[event.key];
    if (way) { turn(...way); event.preventDefault(); }
  });
  sphere.addEventListener("pointermove", (event) => { if (event.buttons & 1) turn(-event.movementX / 90, event.movementY / 90); });
  for (const change of ["resize", "insight"]) addEventListener(change, () => draw(false));

  connect();
})();
