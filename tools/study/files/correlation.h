// Normal draws that go together: dispersion and length of the same fibre, gain and offset of the same lane.
#pragma once

#include <string>
#include <vector>

#include "tools/study/files/draw.h"

namespace cohlink {

/// "KEY,KEY=RHO": the correlation coefficient of two keys with normal laws, before those are truncated.
struct NormalCorrelation {
  std::string a, b;
  double coefficient = 0;
};

/// InputError, beginning with `origin`, for anything else than two keys and a number from -1 to 1.
NormalCorrelation parse_correlation(const std::string& text, const std::string& origin);

/// As parse_correlation reads it.
std::string correlation_text(const NormalCorrelation& correlation);

/// Makes the normal draws that the correlations name depend on each other; pairs that are not named do not.
/// The standard normals z of their streams become L z, L L' being the matrix of the coefficients (Cholesky);
/// what falls outside the range of a key is drawn again for all of them together. InputError for keys that
/// are not drawn or have another law, a pair given twice, and coefficients that no variables can have.
void correlate(std::vector<Draw>& draws, const std::vector<NormalCorrelation>& correlations,
               const std::string& origin);

}  // namespace cohlink
