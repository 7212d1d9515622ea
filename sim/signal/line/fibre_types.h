// Fibre types by their ITU-T names: typical values at 1550 nm, each of which a scenario may override.
#pragma once

#include <array>
#include <optional>
#include <string_view>

namespace cohlink {

/// In the trade's units, as data sheets give them. The source of each value is `source`; "limit" names the
/// recommendation's bound where the typical value is common practice.
struct FibreType {
  std::string_view name;
  double attenuation_db_per_km;
  double dispersion_ps_per_nm_km;
  double slope_ps_per_nm2_km;
  double nonlinear_coefficient_per_w_km;
  double pmd_ps_per_sqrt_km;
  std::string_view source;
};

/// The Kerr coefficient is 2 pi n2/(lambda A_eff) with n2 = 2.6e-20 m^2/W (Agrawal, Nonlinear Fiber Optics).
inline constexpr std::array<FibreType, 3> kFibreTypes{{
    {"G.652.D", 0.20, 17.0, 0.056, 1.3, 0.05,
     "ITU-T G.652 (11/2016) table 2: at most 0.30 dB/km at 1530-1565 nm, D 13.3-18.6, PMD_Q at most 0.20 "
     "(values from "
     "memory); App. I: typically 17 ps/(nm km), slope 0.056; 0.20 dB/km, A_eff 80 um^2 and PMD common "
     "practice"},
    {"G.654.E", 0.17, 21.0, 0.060, 0.84, 0.05,
     "ITU-T G.654 (2016/2020) table E: at most 0.23 dB/km at 1550 nm, D 17-23, slope 0.050-0.070, A_eff "
     "about 110-130 "
     "um^2 (125 here), PMD_Q at most 0.20 (values from memory); 0.17 dB/km and PMD common practice"},
    {"G.655", 0.21, 4.4, 0.045, 1.46, 0.05,
     "ITU-T G.655 (11/2009): at most 0.35 dB/km at 1550 nm, D 1-10 at 1530-1565 nm, PMD_Q at most 0.20 "
     "(values from "
     "memory); 0.21 dB/km, 4.4 ps/(nm km), slope 0.045, A_eff 72 um^2 and PMD common practice"},
}};

/// The type of that name, letter case ignored; nothing if there is none.
constexpr std::optional<FibreType> find_fibre_type(std::string_view name) {
  const auto lower = [](char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c; };
  for (const FibreType& type : kFibreTypes) {
    bool same = type.name.size() == name.size();
    for (std::size_t i = 0; same && i < name.size(); ++i) same = lower(type.name[i]) == lower(name[i]);
    if (same) return type;
  }
  return std::nullopt;
}

}  // namespace cohlink
