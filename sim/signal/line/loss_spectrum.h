// Fibre loss over frequency: the typical curve of silica, and tables of the user's.
#pragma once

#include <iosfwd>
#include <string>
#include <vector>

namespace cohlink {

/// Loss [dB/km] of silica fibre without water peak at a wavelength [m], about 1.4 to 1.68 um: Rayleigh
/// scattering 0.9/l^4 (G. P. Agrawal, Fiber-Optic Communication Systems, ch. 2: 0.7 to 0.9, from memory),
/// infrared absorption 7.81e11 exp(-48.48/l) (from memory), l in um, and 0.0135 of imperfections, so that it
/// has 0.19 at 1550 nm. Scaled to a fibre's own loss there.
double typical_loss_db_per_km(double wavelength);

/// A table, by ascending optical frequency.
struct LossTable {
  std::vector<double> frequency;  ///< Hz
  std::vector<double> loss;       ///< power, 1/m
};

/// Reads text: a line "wavelength_nm,db_per_km" or "frequency_thz,db_per_km", then two numbers a line, with
/// commas, semicolons or blanks between them, in ascending or descending order; blank lines and what follows
/// a # do not count. InputError with file and line for anything else, fewer than two points, wavelengths
/// outside 1260 to 1675 nm and losses outside 0.01 to 10 dB/km.
LossTable read_loss_table(const std::string& path);
/// The same from text; `name` stands for the file in messages.
LossTable read_loss_table(std::istream& text, const std::string& name);

}  // namespace cohlink
