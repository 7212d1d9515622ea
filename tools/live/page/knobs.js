// Knobs from the table of scenario keys: unit, legal range and help are the key's own.
"use strict";

const knobs = (() => {
  const byKey = new Map();
  let send = () => {};
  const titles = { signal: "Signal", run: "Simulation", transmitter: "Transmitter", fibre: "Fibre", amplifier: "Amplifiers", channel: "Path to the receiver",
    laser_lo: "Local oscillator", frontend: "Optical front end", adc: "Converters", dsp: "Receiver (DSP)" };

  function element(name, attributes = {}, ...children) {
    const made = document.createElement(name);
    for (const [key, value] of Object.entries(attributes)) if (value !== undefined) made.setAttribute(key, value);
    made.append(...children);
    return made;
  }

  const bends = (key) => key.slider && key.slider[0] === 0 && key.slider[1] >= 500;  // fine near zero

  function fromSlider(key, place) {
    const [low, high] = key.slider, part = place / 1000;
    const value = low + (high - low) * (bends(key) ? part * part : part);
    if (key.type === "integer") return String(Math.round(value));
    const unit = 10 ** Math.floor(Math.log10((high - low) / 400));
    return String(Number((Math.round(value / unit) * unit).toPrecision(9)));
  }

  function toSlider(key, text) {
    const [low, high] = key.slider;
    if (text === "") return 1000;
    const part = Math.min(1, Math.max(0, (Number(text) - low) / (high - low)));
    return 1000 * (bends(key) ? Math.sqrt(part) : part);
  }

  // What the trade writes in capitals.
  const trade = { osnr: "OSNR", dgd: "DGD", pmd: "PMD", pdl: "PDL", iq: "I/Q", xy: "X/Y", pn: "P/N", lo: "LO", adc: "ADC", dac: "DAC", enob: "ENOB",
    rin: "RIN", cmrr: "CMRR", ase: "ASE", snr: "SNR", ber: "BER", fft: "FFT", dbm: "dBm", v: "V", x: "X", y: "Y", i: "I", q: "Q", xi: "XI", xq: "XQ", yi: "YI", yq: "YQ" };

  function words(key) {
    const unit = key.name.split("_");
    const ends = { GBd: 1, kHz: 1, MHz: 1, GHz: 1, dBm: 1, dB: 1, deg: 1, ps: 1, fs: 1, km: 1, "%": 1, V: 1, mV: 1, ppm: 1, samples: 1, "GSa/s": 1, ohm: 1, nm: 1, nA: 1, rad: 1,
      "ps/nm": 3, "krad/s": 3, "dB/Hz": 3, "1/(W km)": 4, "ps/(nm km)": 4, "ps/(nm2 km)": 4, "dB/km": 3, "MHz/ms": 3, "Hz2/Hz": 3, "A/W": 3, "ps/sqrt(km)": 4, "pA/sqrt(Hz)": 4 };
    const cut = ends[key.unit] || 0;
    if (unit.length <= cut) return key.name;
    const said = unit.slice(0, unit.length - cut).map((word) => trade[word] || word).join(" ");
    return said + (key.unit === "krad/s" ? " rate" : "");  // beside the angle of that name
  }

  function input(key, id) {
    if (key.type === "choice" || key.type === "switch") {
      const choices = key.type === "switch" ? ["true", "false"] : key.choices;
      return element("select", { id }, ...choices.map((choice) => element("option", { value: choice }, key.type === "switch" ? (choice === "true" ? "on" : "off") : choice)));
    }
    return element("input", { id, type: "text", inputmode: key.type === "text" ? "text" : "decimal", autocomplete: "off", spellcheck: "false", placeholder: key.default === "" ? "none" : key.default });
  }

  function make(key) {
    const id = "knob-" + key.key.replace(".", "-");
    const box = input(key, id), unit = element("span", { class: "unit" }, key.unit);
    const label = element("label", { for: id, title: key.key }, words(key));
    const wide = key.type === "choice" || key.type === "switch" || key.type === "text";
    const line = element("div", { class: "line" }, label, box);
    if (!wide) line.append(unit);
    const help = element("p", { class: "help", id: id + "-help" }, key.key + ": " + key.help + ". " + key.legal[0].toUpperCase() + key.legal.slice(1) + (key.source ? "; " + key.source : "") + ".");
    const fault = element("p", { class: "fault", id: id + "-fault", role: "alert" });
    box.setAttribute("aria-describedby", help.id + " " + fault.id);
    const root = element("div", { class: "knob" + (key.type === "text" ? " long" : "") }, line);
    let slider = null;
    if (key.slider) {
      slider = element("input", { type: "range", min: 0, max: 1000, step: key.type === "integer" ? "any" : 1, "aria-label": words(key) + ", " + key.unit });
      slider.addEventListener("input", () => { box.value = fromSlider(key, Number(slider.value)); slider.setAttribute("aria-valuetext", box.value + " " + key.unit); send(key.key, box.value); });
      root.append(slider);
    }
    root.append(help, fault);
    box.addEventListener(wide && key.type !== "text" ? "input" : "change", () => { if (slider) slider.value = toSlider(key, box.value); send(key.key, box.value); });
    byKey.set(key.key, { key, box, slider, fault, root });
    return root;
  }

  /// Builds all; `turned(key, text)` hears of every turn.
  function build(keys, turned) {
    send = turned;
    const place = document.getElementById("knobs");
    place.replaceChildren();
    byKey.clear();
    for (const section of Object.keys(titles)) {
      const own = keys.filter((key) => key.section === section);
      if (own.length === 0) continue;
      const group = element("details", { "data-section": section }, element("summary", {}, titles[section] + " ", element("span", { class: "count" })), ...own.map(make));
      if (["channel", "transmitter", "laser_lo"].includes(section)) group.open = matchMedia("(min-width: 901px)").matches;
      place.append(group);
    }
    sift();
  }

  /// Shows what is chosen, or every key, or what is looked for.
  function sift() {
    const every = document.getElementById("every").checked, wanted = document.getElementById("find").value.trim().toLowerCase();
    for (const group of document.querySelectorAll("#knobs details")) {
      let shown = 0;
      for (const { key, root } of byKey.values()) {
        if (key.section !== group.dataset.section) continue;
        const found = wanted === "" ? key.chosen || every || root.classList.contains("changed") : (key.key + " " + words(key) + " " + key.help).toLowerCase().includes(wanted);
        root.hidden = !found;
        shown += found ? 1 : 0;
      }
      group.hidden = shown === 0;
      if (wanted !== "") group.open = shown > 0;
      group.querySelector(".count").textContent = shown;
    }
  }

  /// Values as the bench has them; what is being written at the moment stays.
  function show(values, changed, error) {
    for (const [name, knob] of byKey) {
      const text = values[name];
      if (document.activeElement !== knob.box || knob.box.tagName === "SELECT") { if (!(error && error.key === name)) knob.box.value = text; }
      if (knob.slider && document.activeElement !== knob.slider) knob.slider.value = toSlider(knob.key, text);
      knob.root.classList.toggle("changed", changed.includes(name));
      tell(knob, "");
    }
    if (error && error.key) return fault(error.key, error.text);
    return true;
  }

  function tell(knob, text) {
    if (knob.fault.textContent !== text) knob.fault.textContent = text;
    knob.box.toggleAttribute("aria-invalid", text !== "");
    if (text !== "") knob.box.setAttribute("aria-invalid", "true");
  }

  /// Says what is wrong beside the knob; false where it has none.
  function fault(key, text) {
    const knob = byKey.get(key);
    if (!knob) return false;
    knob.root.hidden = false;
    knob.root.closest("details").hidden = false;
    knob.root.closest("details").open = true;
    tell(knob, text);
    return true;
  }

  return { build, show, fault, sift, element };
})();
