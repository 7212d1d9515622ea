// The two ways a run can end badly. Libraries throw; only tools turn these into exit statuses.
#pragma once

#include <cstddef>
#include <stdexcept>
#include <string>
#include <utility>

namespace cohlink {

/// Where something was said: a line of a file (counted from 1; 0 = the file as a whole), or the name of what
/// is no file, such as a program's option. Empty where a program said it.
struct Origin {
  std::string file;
  std::size_t line = 0;

  Origin() = default;
  Origin(std::string name, std::size_t line_number = 0) : file(std::move(name)), line(line_number) {}
  Origin(const char* name) : file(name) {}

  bool empty() const { return file.empty(); }
  /// "link.ini:5", "link.ini" or "".
  std::string text() const { return line == 0 ? file : file + ":" + std::to_string(line); }
};

/// What went wrong and, as far as it is known, where: what() is "file:line: key: reason" without the parts
/// that are not.
class Error : public std::runtime_error {
 public:
  explicit Error(const std::string& reason) : Error(Origin(), "", reason) {}
  Error(const Origin& origin, const std::string& reason) : Error(origin, "", reason) {}
  Error(const Origin& origin, const std::string& key, const std::string& reason)
      : std::runtime_error(before(origin.text()) + before(key) + reason),
        origin_(origin),
        key_(key),
        reason_(reason) {}

  /// The file, or the name of what is no file; "" = not known.
  const std::string& file() const noexcept { return origin_.file; }
  /// In the file; 0 = not known.
  std::size_t line() const noexcept { return origin_.line; }
  /// "section.key"; "" where it is not about one.
  const std::string& key() const noexcept { return key_; }
  /// One line.
  const std::string& reason() const noexcept { return reason_; }

 private:
  static std::string before(const std::string& part) { return part.empty() ? "" : part + ": "; }

  Origin origin_;
  std::string key_, reason_;
};

/// Something the user gave cannot be used (scenario, option, input file): exit status 2.
struct InputError : Error {
  using Error::Error;

  /// The same of `file`, where the error itself knows no file.
  InputError in(const std::string& file) const {
    return this->file().empty() ? InputError(file, key(), reason()) : InputError(file, what());
  }
};

/// A run that was asked for correctly but could not be carried out (disk full, no lock): exit status 3.
struct RunError : Error {
  using Error::Error;
};

}  // namespace cohlink
