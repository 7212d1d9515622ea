// What is drawn of a round. A round is its JSON with the arrays in their places (live.js reads it).
"use strict";

const instruments = (() => {
  const canvas = (id) => document.getElementById(id);
  const held = new Map();  // densities that fade from round to round
  const view = { longitude: 0.6, latitude: 0.35 };

  const mean = (values) => { let sum = 0; for (const v of values) sum += v; return sum / values.length; };
  const number = (value, places = 2) => (Number.isFinite(value) ? value.toFixed(places) : "\u2013");
  const ratio = (value) => (value > 0 ? value.toExponential(2) : "0");

  function chain(round, chosen, fresh) {
    if (fresh) held.clear();
    round.blocks.forEach((block, index) => {
      const card = document.querySelector(`.block[data-block="${block.title}"]`);
      if (!card) return;
      block.points.forEach((points, row) => {
        const name = block.title + row, cells = plot.density(points, held.get(name), fresh ? 0 : 0.72);
        held.set(name, cells);
        plot.paintDensity(card.querySelectorAll("canvas")[row], cells, `Constellation of ${row ? "Y" : "X"} behind ${block.title}, ${points.length / 2} points`);
      });
      const note = block.rate > 1.01 ? `${block.rate.toFixed(2)} samples a symbol` : "1 sample a symbol";
      const line = card.querySelector("p");
      if (line.textContent !== note) line.textContent = note;
      card.classList.toggle("chosen", index === chosen);
    });
  }

  function spectrum(round, chosen) {
    const curves = [], at = (block) => Array.from(block.hz, (hz) => hz / 1e9);
    const before = round.blocks[chosen - 1], now = round.blocks[chosen];
    if (before) curves.push({ x: at(before), y: before.spectrum[0], colour: "soft", dashed: true, thin: true, name: "before" });
    curves.push({ x: at(now), y: now.spectrum[0], colour: "c0", name: "X" }, { x: at(now), y: now.spectrum[1], colour: "c1", thin: true, name: "Y" });
    plot.lines(canvas("spectrum"), curves, { y: [-45, 10], says: `Power spectra behind ${now.title}`, empty: "too few samples" });
  }

  function eye(block) {
    if (!block.eye) return plot.emptyNote(canvas("eye"), block.rate > 1.01 ? "waiting for the next round" : "one sample a symbol: no eye behind this block");
    const phases = 16, points = block.eye[0], total = points.length / 2, curves = [];
    for (let start = 0; start + 2 * phases < total; start += phases) {
      const x = [], y = [];
      for (let i = 0; i <= 2 * phases; ++i) { x.push(i / phases - 1); y.push(points[2 * (start + i)]); }
      curves.push({ x, y, colour: "ink", thin: true, alpha: 0.28 });
    }
    plot.lines(canvas("eye"), curves, { x: [-1, 1], y: [-2.2, 2.2], says: `Eye diagram behind ${block.title}` });
  }

  function response(block) {
    if (!(block.rate > 1.01)) return plot.emptyNote(canvas("response"), "one sample a symbol: see the taps");
    const names = ["X from X", "X from Y", "Y from X", "Y from Y"], shown = [["c0", false], ["c0", true], ["c1", true], ["c1", false]];
    const curves = block.response.map((values, i) => ({ x: Array.from(values, (_, m) => m / 4 - 6), y: values, colour: shown[i][0], dashed: shown[i][1], name: names[i] }));
    plot.lines(canvas("response"), curves, { y: [0, 1.25], says: `Response from the symbols sent, behind ${block.title}` });
  }

  function sphere(block) {
    const [x, y] = block.points, points = [];
    for (let i = 0; i + 1 < Math.min(x.length, y.length, 3000); i += 2) {
      const px = x[i] ** 2 + x[i + 1] ** 2, py = y[i] ** 2 + y[i + 1] ** 2, all = px + py;
      if (all > 0.05) points.push([(px - py) / all, 2 * (x[i] * y[i] + x[i + 1] * y[i + 1]) / all, 2 * (x[i + 1] * y[i] - x[i] * y[i + 1]) / all]);
    }
    plot.sphere(canvas("sphere"), points, view.longitude, view.latitude, `States of polarisation behind ${block.title}`);
  }

  function taps(round, symbolRate) {
    if (round.taps.length < 4 || round.taps[0].length === 0) {
      for (const id of ["taps", "taps-frequency"]) plot.emptyNote(canvas(id), "no equaliser in the chain");
      return;
    }
    const names = ["XX", "XY", "YX", "YY"], looks = [["c0", false], ["c0", true], ["c1", true], ["c1", false]];
    const inTime = round.taps.map((flat, i) => {
      const count = flat.length / 2, x = [], y = [];
      for (let n = 0; n < count; ++n) { x.push((n - (count - 1) / 2) / 2); y.push(Math.hypot(flat[2 * n], flat[2 * n + 1])); }
      return { x, y, colour: looks[i][0], dashed: looks[i][1], name: names[i] };
    });
    plot.lines(canvas("taps"), inTime, { says: "Magnitudes of the equaliser's taps" });
    const inFrequency = round.taps.map((flat, i) => {
      const x = [], y = [], count = flat.length / 2;
      for (let k = -64; k <= 64; ++k) {
        const f = k / 128 * 1.4;  // of the symbol rate
        let re = 0, im = 0;
        for (let n = 0; n < count; ++n) {
          const angle = 2 * Math.PI * f * (n - (count - 1) / 2) / 2, c = Math.cos(angle), s = Math.sin(angle);
          re += flat[2 * n] * c - flat[2 * n + 1] * s;
          im += flat[2 * n] * s + flat[2 * n + 1] * c;
        }
        x.push(f * symbolRate); y.push(20 * Math.log10(Math.max(1e-6, Math.hypot(re, im))));
      }
      return { x, y, colour: looks[i][0], dashed: looks[i][1], name: names[i] };
    });
    plot.lines(canvas("taps-frequency"), inFrequency, { y: [-40, 12], says: "Frequency response of the equaliser's taps" });
  }

  function carrier(round, symbolRate) {
    const { symbol, estimate, truth, found_hz, true_hz } = round.carrier;
    const note = Number.isFinite(found_hz) ? `found ${(found_hz / 1e6).toFixed(2)} MHz` + (Number.isFinite(true_hz) ? `, true ${(true_hz / 1e6).toFixed(2)}` : "") : "";
    canvas("offset-note").textContent = note;
    if (!symbol || symbol.length < 4) {
      for (const id of ["phase", "frequency"]) plot.emptyNote(canvas(id), "no phase estimate in the chain");
      return;
    }
    const curves = [{ x: symbol, y: estimate, colour: "c0", name: "estimated" }];
    if (truth) {
      // What a blind estimate cannot know: a constant.
      const apart = mean(estimate) - mean(truth);
      curves.push({ x: symbol, y: Array.from(truth, (v) => v + apart), colour: "c1", dashed: true, thin: true, name: "true" });
    }
    plot.lines(canvas("phase"), curves, { says: `Carrier phase, estimated${truth ? " and true" : ""}` });
    const span = Math.min(64, symbol.length >> 2), rate = symbolRate * 1e9;
    const slope = (values) => { const out = []; for (let i = span; i < values.length; ++i) out.push(((values[i] - values[i - span]) * rate / (2 * Math.PI * (symbol[i] - symbol[i - span])) + (found_hz || 0)) / 1e6); return out; };
    const at = Array.from(symbol).slice(span);
    const slopes = [{ x: at, y: slope(estimate), colour: "c0", name: "estimated" }];
    if (truth) slopes.push({ x: at, y: slope(truth), colour: "c1", dashed: true, thin: true, name: "true" });
    plot.lines(canvas("frequency"), slopes, { says: `Carrier frequency; ${note}` });
  }

  function line(told) {
    if (!told || told.spans.length === 0) {
      for (const id of ["power", "osnr"]) plot.emptyNote(canvas(id), "back to back: no line");
      return;
    }
    const x = [], power = [], at = [], osnr = [];
    let km = 0;
    for (const span of told.spans) {
      x.push(km, km + span.km);
      power.push(span.in_dbm, span.out_dbm);
      km += span.km;
      at.push(km);
      osnr.push(span.osnr_db === null ? NaN : span.osnr_db);
    }
    plot.lines(canvas("power"), [{ x, y: power, colour: "c0" }], { x: [0, km], says: "Power along the line" });
    plot.lines(canvas("osnr"), [{ x: at, y: osnr, colour: "c0" }, { x: at, y: osnr, colour: "c0", dots: true }], { x: [0, km], says: "OSNR along the line", empty: "no noise on the line" });
  }

  function readings(round, theory) {
    const { total, one } = round, rows = [];
    rows.push(["BER", total.bits > 0 ? (total.errors > 0 ? ratio(total.ber) : "< " + ratio(total.ber_high)) : "\u2013", true]);
    rows.push(["95 % interval", total.bits > 0 ? `${ratio(total.ber_low)} to ${ratio(total.ber_high)}` : "\u2013"]);
    rows.push(["theory", theory && theory.ber !== null ? ratio(theory.ber) : "\u2013"]);
    rows.push(["errors", `${total.errors.toLocaleString("en")} in ${total.bits.toLocaleString("en")} bits`]);
    rows.push(["SNR", number(total.snr_db) + " dB", true]);
    rows.push(["95 % interval", total.snr_low_db === null ? "from the second round" : `${number(total.snr_low_db)} to ${number(total.snr_high_db)} dB`]);
    rows.push(["theory", theory && theory.snr_db !== null ? number(theory.snr_db) + " dB" : "\u2013"]);
    rows.push(["rounds", `${round.round.toLocaleString("en")}, ${round.ms.all.toFixed(0)} ms each`]);
    rows.push(["lock", one.locked ? (total.unlocked > 0 ? `lost in ${total.unlocked}` : "yes") : "no"]);
    const list = canvas("readings");
    if (list.children.length !== 2 * rows.length)
      list.replaceChildren(...rows.flatMap(([name, , big]) => [knobs.element("dt", {}, name), knobs.element("dd", big ? { class: "big" } : {})]));
    rows.forEach(([, text], i) => { const cell = list.children[2 * i + 1]; if (cell.textContent !== text) cell.textContent = text; });
  }

  /// history: [{ber, floor, snr, theory_ber, theory_snr, turned}], a round each; `turned`: the bench was changed before it.
  function strips(history, threshold) {
    const x = history.map((_, i) => i - history.length + 1), log = (v) => (v > 0 ? Math.log10(v) : NaN);
    const span = [-Math.max(40, history.length - 1), 0];
    const own = (pick) => history.map(pick);
    const turns = (low, high) => history.flatMap((entry, i) => (entry.turned && i > 0 ? [{ x: [x[i] - 0.5, x[i] - 0.5], y: [low, high], colour: "soft", thin: true }] : []));
    plot.lines(canvas("strip"), [...turns(-6, 0), { x, y: own((e) => log(e.ber > 0 ? e.ber : e.floor)), colour: "c0", dots: true, name: "round" }, { x, y: own((e) => (e.turned ? NaN : log(e.theory_ber))), colour: "c1", dashed: true, name: "theory" }],
      { x: span, y: [-6, 0], log: true, levels: threshold > 0 ? [{ at: Math.log10(threshold), name: "code's threshold " + threshold.toPrecision(2), left: true }] : [], says: "Bit error ratio of the last rounds" });
    const values = own((e) => e.snr).concat(own((e) => e.theory_snr)).filter(Number.isFinite);
    const low = values.length ? Math.floor(Math.min(...values) / 2 - 0.5) * 2 : 0, high = values.length ? Math.ceil(Math.max(...values) / 2 + 0.5) * 2 : 30;
    plot.lines(canvas("snr-strip"), [...turns(low, high), { x, y: own((e) => e.snr), colour: "c0", dots: true, name: "round" }, { x, y: own((e) => (e.turned ? NaN : e.theory_snr)), colour: "c1", dashed: true, name: "theory" }],
      { x: span, y: [low, high], says: "SNR of the last rounds", empty: "no SNR without lock" });
  }

  /// Everything that shows the chosen block and the receiver.
  function focus(round, chosen, told, symbolRate) {
    const block = round.blocks[chosen] || round.blocks[0];
    spectrum(round, Math.min(chosen, round.blocks.length - 1));
    eye(block);
    response(block);
    sphere(block);
    taps(round, symbolRate);
    carrier(round, symbolRate);
    line(told);
  }

  return { chain, focus, readings, strips, sphere, view };
})();
