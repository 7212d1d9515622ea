#include "tools/cohlink/bench_drawing.h"

#include <algorithm>
#include <array>
#include <vector>

#include "rx/chain/table.h"
#include "sim/signal/scenario/scenario.h"
#include "sim/signal/scenario/strings.h"
#include "tools/study/files/svg.h"

namespace cohlink {
namespace {

constexpr int kWidth = 1120, kLeft = 30, kRight = 1090;

struct Box {
  int x, y, width, height;
  int right() const { return x + width; }
  int bottom() const { return y + height; }
  int middle() const { return x + width / 2; }
  int level() const { return y + height / 2; }
};

/// Where a section stands, and what it is in a few words, a line each.
struct Station {
  std::string_view section;
  Box box;
  std::array<const char*, 3> words;
};

constexpr Station kStations[] = {
    {"signal", {kLeft, 70, 160, 104}, {"bits, symbols", "pulses, pilots", ""}},
    {"transmitter", {226, 70, 190, 104}, {"laser, converters", "drivers, modulator", "other wavelengths"}},
    {"fibre", {474, 82, 190, 80}, {"dispersion, Kerr effect", "PMD, loss", ""}},
    {"amplifier", {690, 82, 130, 80}, {"gain, ASE, PDL", "", ""}},
    {"channel",
     {870, 70, 220, 104},
     {"noise to an OSNR, filter", "lumped DGD, PDL, rotation", "neighbouring channels"}},
    {"frontend", {870, 240, 220, 104}, {"hybrids, photodiodes", "amplifiers, skews", ""}},
    {"laser_lo", {900, 384, 160, 60}, {"local oscillator", "", ""}},
    {"adc", {560, 240, 190, 104}, {"clock, jitter, bits", "sub-converters", ""}},
    {"trace", {kLeft, 240, 190, 104}, {"a recording made", "elsewhere", ""}},
    {"fec", {760, 736, 150, 84}, {"code, threshold", "decoding", ""}},
};
constexpr Box kCapture = {290, 240, 190, 104}, kChain = {kLeft, 486, kRight - kLeft, 206},
              kVerdict = {kLeft + 330, 736, 340, 84};

std::string text(int x, int y, const std::string& content, const std::string& kind,
                 const char* anchor = "middle") {
  return "<text x=\"" + std::to_string(x) + "\" y=\"" + std::to_string(y) + "\" text-anchor=\"" + anchor +
         "\" class=\"" + kind + "\">" + html_text(content) + "</text>\n";
}

std::string rectangle(const Box& b, const std::string& kind) {
  return "<rect x=\"" + std::to_string(b.x) + "\" y=\"" + std::to_string(b.y) + "\" width=\"" +
         std::to_string(b.width) + "\" height=\"" + std::to_string(b.height) + "\" class=\"" + kind +
         "\"/>\n";
}

/// Along these corners, with a head at the end.
std::string arrow(const std::vector<std::array<int, 2>>& corners, const std::string& kind) {
  std::string path;
  for (const auto& [x, y] : corners)
    path += (path.empty() ? "M" : "L") + std::to_string(x) + " " + std::to_string(y);
  return "<path d=\"" + path + "\" class=\"" + kind + "\" marker-end=\"url(#head)\"/>\n";
}

std::string labelled(const Box& box, const std::string& name, const std::vector<std::string>& words,
                     const std::string& kind) {
  std::string out = rectangle(box, kind) + text(box.middle(), box.y + 26, name, "name");
  int y = box.y + 48;
  for (const std::string& line : words) {
    if (!line.empty()) out += text(box.middle(), y, line, "words");
    y += 18;
  }
  return out;
}

/// Sections of the key table in their order.
std::vector<std::string> sections() {
  std::vector<std::string> names;
  for (const ScenarioKey& key : scenario_keys())
    if (std::find(names.begin(), names.end(), key.section) == names.end()) names.emplace_back(key.section);
  return names;
}

const Box& place_of(std::string_view section) {
  return std::find_if(std::begin(kStations), std::end(kStations),
                      [&](const Station& s) { return s.section == section; })
      ->box;
}

std::string stations(const std::vector<std::string>& names) {
  std::string out, others;
  for (const std::string& name : names) {
    const auto* station = std::find_if(std::begin(kStations), std::end(kStations),
                                       [&](const Station& s) { return s.section == name; });
    if (station != std::end(kStations))
      out += labelled(station->box, "[" + name + "]", {station->words.begin(), station->words.end()},
                      station->box.y < 200 && name != "signal" ? "light" : "box");
    else if (name != "dsp")
      others += (others.empty() ? "" : ", ") + std::string("[") + name + "]";
  }
  return out + text(kLeft, 852, "of the computation, not of the bench: " + others, "words", "start");
}

/// Light along the top, the four lanes back, then the chain.
std::string ways() {
  const Box &signal = place_of("signal"), &sender = place_of("transmitter"), &fibre = place_of("fibre"),
            &amplifier = place_of("amplifier"), &channel = place_of("channel"), &front = place_of("frontend"),
            &oscillator = place_of("laser_lo"), &adc = place_of("adc"), &trace = place_of("trace");
  const Box spans = {454, 56, 386, 132};
  std::string out = rectangle(spans, "repeated") + text(spans.middle(), 206, "span after span", "words");
  out += arrow({{signal.right(), signal.level()}, {sender.x - 3, signal.level()}}, "bits");
  out += arrow({{sender.right(), sender.level()}, {fibre.x - 3, sender.level()}}, "ray");
  out += arrow({{fibre.right(), fibre.level()}, {amplifier.x - 3, fibre.level()}}, "ray");
  out += arrow({{amplifier.right(), amplifier.level()}, {channel.x - 3, amplifier.level()}}, "ray");
  out += arrow({{channel.middle(), channel.bottom()}, {channel.middle(), front.y - 3}}, "ray");
  out += arrow({{oscillator.middle(), oscillator.y}, {oscillator.middle(), front.bottom() + 3}}, "ray");
  constexpr const char* kLanes[] = {"XI", "XQ", "YI", "YQ"};
  for (int i = 0; i < 4; ++i) {
    const int y = front.y + 16 + 24 * i;
    out += arrow({{front.x, y}, {adc.right() + 3, y}}, "lane");
    out += text((front.x + adc.right()) / 2, y - 4, kLanes[i], "words");
  }
  out += arrow({{adc.x, adc.level()}, {kCapture.right() + 3, adc.level()}}, "lane");
  out += labelled(kCapture, "capture", {"four lanes of codes", "and what is true", "of them"}, "file");
  out += arrow({{kCapture.middle(), kCapture.bottom()}, {kCapture.middle(), kChain.y - 3}}, "lane");
  return out + arrow({{trace.middle(), trace.bottom()}, {trace.middle(), kChain.y - 3}}, "lane");
}

const char* sampling(Rate rate) {
  return rate == Rate::kAdc   ? "at the converters' rate"
         : rate == Rate::kTwo ? "two samples a symbol"
                              : "one sample a symbol";
}

/// Blocks of the default chain with the samplings that they take, and below them the other rows of the table.
std::string chain() {
  const std::vector<const BlockRow*> rows = rows_of(Scenario().list("dsp.chain"));
  const int pitch = (kChain.width - 20) / static_cast<int>(rows.size()), top = kChain.y + 54;
  std::string out =
      rectangle(kChain, "repeated") + text(kChain.x + 14, kChain.y + 28, "[dsp]", "name", "start") +
      text(kChain.x + 74, kChain.y + 28, "the receiver, block by block (dsp.chain)", "words", "start");
  int begun = 0;
  for (int i = 0; i < static_cast<int>(rows.size()); ++i) {
    const Box box = {kChain.x + 14 + pitch * i, top, pitch - 12, 58};
    out += rectangle(box, "box");
    const auto parts = split(rows[static_cast<std::size_t>(i)]->title, ' ');
    for (std::size_t k = 0; k < parts.size(); ++k)
      out += text(box.middle(),
                  box.level() + 4 + 16 * static_cast<int>(k) - 8 * static_cast<int>(parts.size() - 1),
                  parts[k], "block");
    if (i + 1 < static_cast<int>(rows.size()))
      out += arrow({{box.right(), box.level()}, {box.right() + 10, box.level()}}, "lane");
    const Rate rate = rows[static_cast<std::size_t>(i)]->needs;
    if (i + 1 < static_cast<int>(rows.size()) && rows[static_cast<std::size_t>(i) + 1]->needs == rate)
      continue;
    const int from = kChain.x + 14 + pitch * begun;
    out += "<path d=\"M" + std::to_string(from) + " " + std::to_string(top + 66) + "v7H" +
           std::to_string(box.right()) + "v-7\" class=\"brace\"/>\n" +
           text((from + box.right()) / 2, top + 90, sampling(rate), "words");
    begun = i + 1;
  }
  std::string others;
  for (const BlockRow& row : block_table())
    if (std::find(rows.begin(), rows.end(), &row) == rows.end())
      others += (others.empty() ? "" : ", ") + std::string(row.title);
  return out + text(kChain.x + 14, kChain.bottom() - 18, "and where they are asked for: " + others, "words",
                    "start");
}

std::string end() {
  const Box& fec = place_of("fec");
  const int x = kRight - 60;
  return arrow({{x, kChain.bottom()}, {x, fec.level()}, {fec.right() + 3, fec.level()}}, "bits") +
         arrow({{fec.x, fec.level()}, {kVerdict.right() + 3, fec.level()}}, "bits") +
         labelled(kVerdict, "verdict", {"BER, Q, SNR, GMI with 95 % intervals", "pass, fail or undecided"},
                  "file");
}

constexpr const char* kHead = R"(<style>
text{font-family:"DejaVu Sans Mono",Menlo,Consolas,monospace;fill:#1d2530}
.title{font:italic 19px Georgia,serif}.name{font-size:15px;font-weight:700}.words{font-size:11.5px;fill:#5c6675}.block{font-size:10.5px}
rect{stroke:#1d2530;stroke-width:1.3}.box{fill:#fff}.light{fill:#fff;stroke:#c2410c}.file{fill:#eef3f5}
.repeated{fill:none;stroke:#8a8576;stroke-dasharray:5 4}path{fill:none;stroke:#1d2530;stroke-width:1.5}
.ray{stroke:#c2410c;stroke-width:2.6}.lane{stroke:#0b5fa5}.brace{stroke:#8a8576}
</style>
<defs><marker id="head" viewBox="0 0 8 8" refX="6" refY="4" markerWidth="8" markerHeight="8" markerUnits="userSpaceOnUse" orient="auto"><path d="M0 0L8 4L0 8z" style="fill:#1d2530;stroke:none"/></marker></defs>
)";

}  // namespace

std::string bench_drawing() {
  return "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 " + std::to_string(kWidth) +
         " 872\" role=\"img\">\n<title>The bench: from bits over light and lanes to the verdict, with the "
         "sections of a "
         "scenario and the blocks of the receiver</title>\n" +
         kHead + "<rect width=\"" + std::to_string(kWidth) +
         "\" height=\"872\" style=\"fill:#fbfaf7;stroke:none\"/>\n" +
         text(kLeft, 36, "The bench, from bits over light and lanes to the verdict", "title", "start") +
         ways() + stations(sections()) + chain() + end() + "</svg>\n";
}

}  // namespace cohlink
