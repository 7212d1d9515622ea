#include "tools/cohlink/command_line.h"

#include <array>
#include <charconv>
#include <filesystem>
#include <fstream>
#include <iostream>

#include "rx/chain/order.h"
#include "sim/signal/record/atomic_file.h"
#include "sim/signal/record/sigmf.h"
#include "sim/signal/scenario/strings.h"

namespace cohlink {
namespace po = boost::program_options;
namespace {

constexpr unsigned kWidth = 110;

std::optional<std::uint64_t> whole_number(const std::string& text) {
  std::uint64_t value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc{} || end != text.data() + text.size()) return std::nullopt;
  return value;
}

Format read_format(const std::string& name) {
  if (name == "text") return Format::kText;
  if (name == "csv") return Format::kCsv;
  if (name == "json") return Format::kJson;
  if (name == "markdown") return Format::kMarkdown;
  throw InputError("--format " + name + ": expected text, csv or json");
}

/// The option of "--items", "--items=3", "-n" and "-n3". Of short options written together, "-hn3", the
/// library keeps the token with the first alone.
std::string as_written(const po::option& option) {
  if (option.original_tokens.empty()) return "--" + option.string_key;
  const std::string& token = option.original_tokens.front();
  return token.starts_with("--") ? token.substr(0, token.find('=')) : token.substr(0, 2);
}

/// "--seed" and "-o" of every option.
std::vector<std::string> spellings(const po::options_description& options) {
  std::vector<std::string> names;
  for (const auto& option : options.options()) names.push_back("--" + option->long_name());
  return names;
}

}  // namespace

CommandLine::CommandLine(std::string synopsis, std::string summary)
    : synopsis_(std::move(synopsis)),
      summary_(std::move(summary)),
      own_("options of this command", kWidth, kWidth / 2),
      shared_("options of every command", kWidth, kWidth / 2) {
  const auto texts = [] { return po::value<std::vector<std::string>>()->composing(); };
  shared_.add_options()                                                                              //
      ("set", texts()->value_name("section.key=value"), "override a scenario key; may be repeated")  //
      ("tie", texts()->value_name("KEY=2*KEY"),
       "a key that follows others, by a sum of products: changes whenever they do; may be repeated")  //
      ("seed", po::value<std::string>()->value_name("N"), "seed of every random stream (run.seed)")   //
      ("threads", po::value<std::string>()->value_name("N"), "worker threads; 0 = one per core")      //
      ("format", po::value<std::string>()->value_name("text|csv|json"),
       "how tables are printed; default text")                 //
      ("quiet", "no progress and no notes on standard error")  //
      ("help,h", "this text");
}

po::options_description_easy_init CommandLine::own() { return own_.add_options(); }

void CommandLine::store(const std::vector<std::string>& arguments) {
  po::options_description files, all;
  files.add_options()("file", po::value<std::vector<std::string>>());
  all.add(own_).add(shared_);
  po::options_description accepted;
  accepted.add(all).add(files);
  po::positional_options_description positional;
  positional.add("file", -1);
  // Without guessing: an abbreviation that works today must not mean something else tomorrow.
  const int style = po::command_line_style::default_style & ~po::command_line_style::allow_guessing;
  try {
    const auto parsed =
        po::command_line_parser(arguments).options(accepted).positional(positional).style(style).run();
    for (const auto& option : parsed.options)
      if (option.position_key < 0) written_[option.string_key] = as_written(option);
    po::store(parsed, values_);
    po::notify(values_);
  } catch (const po::unknown_option& error) {
    const std::string near = nearest_word(error.get_option_name(), spellings(all));
    throw InputError(error.get_option_name() + ": unknown option" +
                     (near.empty() ? "; see --help" : "; did you mean " + near + "?"));
  } catch (const po::invalid_command_line_syntax& error) {
    throw InputError(error.get_option_name() + ": a value is missing or not expected here");
  } catch (const po::multiple_occurrences& error) {
    throw InputError(error.get_option_name() + ": given twice");
  } catch (const po::error& error) {
    throw InputError(error.what());
  }
}

void CommandLine::print_help() const {
  std::cout << "usage: cohlink " << synopsis_ << "\n\n" << summary_ << "\n\n";
  if (!own_.options().empty()) std::cout << own_ << '\n';
  std::cout << shared_
            << "\nExit status: 0 done, 1 a requirement failed, 2 bad input, 3 a run that failed,\n"
               "130 stopped by Ctrl-C, 143 by SIGTERM.\n";
}

bool CommandLine::parse(const std::vector<std::string>& arguments) {
  store(arguments);
  if (has("help")) {
    print_help();
    return false;
  }
  po::options_description all;
  all.add(own_).add(shared_);
  for (const auto& [option, written] : written_)
    if (all.find(option, false).semantic()->max_tokens() > 0) refuse_empty(option);
  read_common();
  return true;
}

/// An unset variable in a script must not pass for an option not given.
void CommandLine::refuse_empty(const std::string& option) const {
  const auto* value = boost::any_cast<std::string>(&values_[option].value());
  if (value != nullptr && value->empty()) throw InputError(written_.at(option) + ": its value is empty");
}

void CommandLine::read_common() {
  common_.files = texts("file");
  common_.settings = texts("set");
  common_.ties = texts("tie");
  common_.seed = count("seed");
  if (const auto threads = count("threads")) {
    if (*threads > 1024) throw InputError("--threads " + std::to_string(*threads) + ": at most 1024");
    common_.threads = static_cast<std::int64_t>(*threads);
  }
  if (has("output")) common_.output = text("output");
  if (has("format")) common_.format = read_format(text("format"));
  common_.quiet = has("quiet");
}

void CommandLine::refuse(const std::vector<std::string>& options, const std::string& why) const {
  for (const auto& option : options)
    if (has(option)) throw InputError("--" + option + ": " + why);
}

std::string CommandLine::text(const std::string& option) const { return values_[option].as<std::string>(); }

std::vector<std::string> CommandLine::texts(const std::string& option) const {
  return has(option) ? values_[option].as<std::vector<std::string>>() : std::vector<std::string>{};
}

std::optional<std::uint64_t> CommandLine::count(const std::string& option, std::uint64_t least) const {
  if (!has(option)) return std::nullopt;
  const auto value = whole_number(text(option));
  if (!value || *value < least)
    throw InputError(written_.at(option) + " " + text(option) + ": expected a whole number, " +
                     std::to_string(least) + " or more");
  return value;
}

bool looks_like_hdf5(const std::string& path) {
  static constexpr std::array<char, 8> kSignature = {'\x89', 'H', 'D', 'F', '\r', '\n', '\x1a', '\n'};
  std::error_code error;
  if (!std::filesystem::is_regular_file(path, error)) return false;  // looking into a pipe would empty it
  std::array<char, 8> head{};
  std::ifstream file(path, std::ios::binary);
  return file.read(head.data(), head.size()) && head == kSignature;
}

namespace {

void set_tie(Scenario& scenario, const std::string& text) {
  const auto equals = text.find('=');
  if (equals == std::string::npos)
    throw InputError("--tie " + text, "expected KEY=OTHER, KEY=0.5*OTHER, KEY=OTHER+3");
  const std::string expression = trim(text.substr(equals + 1));
  if (expression.empty()) throw InputError("--tie " + text, "says nothing that the key could follow");
  scenario.set("tie." + trim(text.substr(0, equals)), expression, "--tie");
}

}  // namespace

Scenario layered(Scenario scenario, const std::vector<std::string>& files, const CommonOptions& options) {
  for (const auto& file : files) {
    if (looks_like_hdf5(file))
      throw InputError(file, "an HDF5 file where a scenario (INI text) was expected");
    if (names_sigmf(file))  // says where samples are: a scenario of one key
      scenario.set("trace.file=" + file, file);
    else
      scenario.read_file(file);
  }
  for (const auto& setting : options.settings) scenario.set(setting, "--set");
  for (const auto& tie : options.ties) set_tie(scenario, tie);
  if (options.seed) scenario.set("run.seed", std::to_string(*options.seed), "--seed");
  if (const std::string fault = chain_fault(scenario.list("dsp.chain")); !fault.empty())
    scenario.reject("dsp.chain", fault);
  keep_inputs(options.output, named_inputs(scenario, files));
  return scenario;
}

std::vector<std::string> named_inputs(const Scenario& scenario, const std::vector<std::string>& files) {
  std::vector<std::string> names = scenario.list("trace.lane_files");
  for (const char* key : {"signal.pattern_file", "fibre.loss_file", "trace.file", "trace.symbols_file"})
    if (scenario.is_set(key)) names.push_back(scenario.text(key));
  std::vector<std::string> found = names;
  for (const auto& file : files)
    for (const auto& name : names)
      found.push_back((std::filesystem::path(file).parent_path() / name).string());
  return found;
}

void keep_inputs(const std::string& path, const std::vector<std::string>& inputs) {
  std::error_code error;
  for (const auto& input : inputs)
    if (!path.empty() && std::filesystem::equivalent(path, input, error))
      throw InputError("-o " + path + ": is also an input of this command; give the output another name");
}

void check_output(const std::string& path, const std::vector<std::string>& inputs) {
  if (path.empty()) return;
  keep_inputs(path, inputs);
  std::error_code error;
  const std::filesystem::path target(path);
  output_target(path);
  const auto folder = target.has_parent_path() ? target.parent_path() : std::filesystem::path(".");
  if (!std::filesystem::is_directory(folder, error))
    throw InputError("-o " + path + ": the folder " + folder.string() + " does not exist");
}

std::string shell_quoted(const std::string& text) {
  constexpr std::string_view kPlain =
      "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_=+./,:@%";
  if (!text.empty() && text.find_first_not_of(kPlain) == std::string::npos) return text;
  std::string quoted = "'";
  for (const char c : text) quoted += c == '\'' ? "'\\''" : std::string(1, c);
  return quoted + "'";
}

std::int64_t asked_threads(const CommonOptions& options, const Scenario& scenario) {
  return options.threads.value_or(scenario.integer("run.threads"));
}

}  // namespace cohlink
