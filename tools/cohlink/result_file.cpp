#include "tools/cohlink/result_file.h"

#include <algorithm>
#include <cstdio>

#include "sim/signal/record/hdf5_write.h"
#include "sim/signal/version.h"

namespace cohlink {
namespace {

template <class Points>
std::vector<std::complex<float>> two_rows(const Points& x, const Points& y) {
  std::vector<std::complex<float>> rows(x.begin(), x.end());
  rows.insert(rows.end(), y.begin(), y.end());
  return rows;
}

std::vector<float> stacked(const std::vector<std::vector<float>>& rows) {
  std::vector<float> flat;
  for (const auto& row : rows) flat.insert(flat.end(), row.begin(), row.end());
  return flat;
}

/// "carrier phase" -> carrier_phase [rows, values], and carrier_phase_symbol.
void write_signal(h5::NewFile& file, const std::string& group, const StageSignal& signal) {
  std::string name = group + "/" + signal.name;
  std::replace(name.begin(), name.end(), ' ', '_');
  file.write<float>(name, stacked(signal.rows), {signal.rows.size(), signal.symbol.size()});
  file.attribute(name, "unit", signal.unit);
  file.write(name + "_symbol", signal.symbol);
}

/// Filters [output, input, tap], and what they are to be read with.
void write_taps(h5::NewFile& file, const ReceiverResult& result) {
  const std::size_t length = result.taps[0][0].size();
  if (length == 0) return;
  std::vector<std::complex<float>> flat;
  for (const auto& output : result.taps)
    for (const auto& filter : output) flat.insert(flat.end(), filter.begin(), filter.end());
  file.write<std::complex<float>>("/equaliser/taps", flat, {2, 2, length});
}

void write_stage(h5::NewFile& file, const std::string& group, const Stage& stage) {
  const std::string name = group + "/points";
  for (const StageSignal& signal : stage.signals) write_signal(file, group, signal);
  const std::size_t length = std::min(stage.points[0].size(), stage.points[1].size());
  auto x = stage.points[0], y = stage.points[1];
  x.resize(length), y.resize(length);
  file.write<std::complex<float>>(name, two_rows(x, y), {2, length});
  file.attribute(name, "block", stage.block);
  file.attribute(name, "samples_per_symbol", stage.samples_per_symbol);
  if (stage.frequency_hz.empty()) return;
  file.write(group + "/frequency_hz", stage.frequency_hz);
  file.write<float>(group + "/spectrum_db", stacked({stage.spectrum_db[0], stage.spectrum_db[1]}),
                    {2, stage.frequency_hz.size()});
}

void write_facts(h5::NewFile& file, const std::vector<Fact>& facts) {
  for (const auto& fact : facts) {
    if (fact.name.empty()) continue;
    if (const auto* number = std::get_if<double>(&fact.value)) file.attribute("/", fact.name, *number);
    if (const auto* count = std::get_if<std::uint64_t>(&fact.value)) file.attribute("/", fact.name, *count);
    if (const auto* text = std::get_if<std::string>(&fact.value)) file.attribute("/", fact.name, *text);
  }
}

/// The lanes before the first block, and what each block left: /stages/03-frequency.
void write_stages(h5::NewFile& file, const ReceiverResult& result) {
  if (!result.stages.empty()) write_stage(file, "/input", result.input);
  for (std::size_t i = 0; i < result.stages.size(); ++i) {
    char number[8];
    std::snprintf(number, sizeof number, "%02u", static_cast<unsigned>((i + 1) % 100));
    write_stage(file, std::string("/stages/") + number + "-" + result.stages[i].block, result.stages[i]);
  }
}

void write_pieces(h5::NewFile& file, const std::vector<PieceResult>& pieces) {
  std::vector<std::uint64_t> first, symbols, errors, bits;
  std::vector<std::uint8_t> locked, joined;
  std::vector<double> snr, offset;
  std::vector<std::uint8_t> swapped;
  std::vector<std::int64_t> turns, delay;
  for (const PieceResult& piece : pieces) {
    first.push_back(piece.first_sample);
    symbols.push_back(piece.symbols);
    errors.push_back(piece.errors);
    bits.push_back(piece.bits);
    locked.push_back(piece.locked ? 1 : 0);
    joined.push_back(piece.joined ? 1 : 0);
    snr.push_back(piece.snr_db);
    offset.push_back(piece.frequency_offset_hz);
    swapped.push_back(piece.swapped ? 1 : 0);
    turns.insert(turns.end(), piece.quarter_turns.begin(), piece.quarter_turns.end());
    delay.insert(delay.end(), piece.delay_symbols.begin(), piece.delay_symbols.end());
  }
  file.write("/pieces/first_sample", first);
  file.write("/pieces/symbols", symbols);
  file.write("/pieces/errors", errors);
  file.write("/pieces/bits", bits);
  file.write("/pieces/locked", locked);
  file.write("/pieces/joined", joined);
  file.write("/pieces/snr_db", snr);
  file.write("/pieces/frequency_offset_hz", offset);
  if (std::none_of(bits.begin(), bits.end(), [](std::uint64_t count) { return count > 0; })) return;
  file.write("/pieces/swapped", swapped);
  file.write<std::int64_t>("/pieces/quarter_turns", turns, {pieces.size(), 2});
  file.write<std::int64_t>("/pieces/delay_symbols", delay, {pieces.size(), 2});
}

}  // namespace

void write_result(const Received& received, const std::vector<Fact>& facts, const std::string& path) {
  const Capture& capture = received.capture;
  const Scenario& scenario = received.scenario;
  const ReceiverResult& result = received.result;
  const std::vector<PieceResult>& pieces = received.pieces;
  h5::create(path, [&](h5::NewFile& file) {
    file.attribute("/", "kind", std::string("cohlink result"));
    file.attribute("/", "format", 1.0);
    file.attribute("/", "version", std::string(version().number));
    file.attribute("/", "git_hash", std::string(version().git_hash));
    file.attribute("/", "seed", capture.seed);
    file.attribute("/", "frame", capture.frame);
    file.attribute("/", "point", capture.point);
    write_facts(file, facts);
    file.write_text("/scenario", scenario.resolved());
    if (!result.warnings.empty()) file.write_texts("/warnings", result.warnings);
    file.write<std::complex<float>>("/symbols", two_rows(result.symbols.x, result.symbols.y),
                                    {2, result.symbols.size()});
    write_taps(file, result);
    if (!pieces.empty()) write_pieces(file, pieces);
    write_stages(file, result);
  });
}

}  // namespace cohlink
