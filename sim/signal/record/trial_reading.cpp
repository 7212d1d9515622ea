#include "sim/signal/record/trial_reading.h"

#include <fcntl.h>
#include <hdf5.h>
#include <malloc.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <complex>
#include <csignal>
#include <filesystem>
#include <vector>

#include "sim/signal/record/hdf5_types.h"

namespace cohlink::h5 {
namespace {

constexpr rlim_t kSeconds = 10;  // of computing, for a file of no size
// One more for so many bytes: trying takes a sixth of that (73 MB: 1.5 s).
constexpr std::uintmax_t kBytesASecond = 8 << 20;
constexpr unsigned kMostSeconds = 120;                 // waiting included
constexpr std::size_t kLarge = std::size_t{64} << 20;  // bytes: samples in bulk hold nothing to stumble over

/// Bytes that reading takes, 0 for what is not to be read.
std::size_t bytes_of(hid_t type, hid_t space) {
  const hssize_t count = H5Sget_simple_extent_npoints(space);
  const std::size_t width = H5Tget_size(type);
  if (count <= 0 || width == 0 || static_cast<std::size_t>(count) > kLarge / width) return 0;
  return static_cast<std::size_t>(count) * width;
}

/// The types that readers ask for. What a file says of its own may break the library where it converts from
/// it.
std::vector<Handle> asked_for(hid_t type) {
  std::vector<Handle> types;
  const H5T_class_t kind = H5Tget_class(type);
  const bool number = kind == H5T_INTEGER || kind == H5T_FLOAT;
  types.emplace_back(H5Tcopy(type), H5Tclose);
  if (number)
    for (const hid_t native : {H5T_NATIVE_INT16, H5T_NATIVE_UINT8, H5T_NATIVE_INT64, H5T_NATIVE_UINT64,
                               H5T_NATIVE_FLOAT, H5T_NATIVE_DOUBLE})
      types.emplace_back(H5Tcopy(native), H5Tclose);
  if (kind == H5T_COMPOUND) types.push_back(complex_type<float>()), types.push_back(complex_type<double>());
  return types;
}

/// Calls read(type, room) for each of those, room enough for every one.
template <class Read>
void read_as_asked(hid_t type, std::size_t bytes, const Read& read) {
  constexpr std::size_t kWidest = sizeof(std::complex<double>);
  std::vector<char> room(bytes / H5Tget_size(type) * std::max(kWidest, H5Tget_size(type)));
  for (const Handle& as : asked_for(type)) read(as.get(), room.data());
}

herr_t read_attribute(hid_t object, const char* name, const H5A_info_t*, void*) {
  const hid_t attribute = H5Aopen(object, name, H5P_DEFAULT);
  if (attribute < 0) return 0;
  const hid_t type = H5Aget_type(attribute), space = H5Aget_space(attribute);
  if (const std::size_t bytes = bytes_of(type, space))
    read_as_asked(type, bytes, [&](hid_t as, char* room) { H5Aread(attribute, as, room); });
  return 0;
}

void read_dataset(hid_t dataset) {
  const hid_t creation = H5Dget_create_plist(dataset);
  if (H5Pget_external_count(creation) > 0 || H5Pget_layout(creation) == H5D_VIRTUAL) return;  // refused later
  const hid_t type = H5Dget_type(dataset), space = H5Dget_space(dataset);
  H5Dget_storage_size(dataset);  // walks the index of its pieces
  if (const std::size_t bytes = bytes_of(type, space))
    read_as_asked(type, bytes,
                  [&](hid_t as, char* room) { H5Dread(dataset, as, H5S_ALL, H5S_ALL, H5P_DEFAULT, room); });
}

herr_t read_object(hid_t file, const char* name, const H5O_info_t*, void*) {
  const hid_t object = H5Oopen(file, name, H5P_DEFAULT);
  if (object < 0) return -1;
  const herr_t walked = H5Aiterate2(object, H5_INDEX_NAME, H5_ITER_INC, nullptr, read_attribute, nullptr);
  if (H5Iget_type(object) == H5I_DATASET) read_dataset(object);
  H5Oclose(object);
  return walked;
}

/// Whether every object and attribute can be come by. Where the library stops half-way it leaves the rest
/// untried.
bool can_be_walked(hid_t file) {
  return H5Ovisit(file, H5_INDEX_NAME, H5_ITER_INC, read_object, nullptr) >= 0;
}

/// Memory that nobody has written to holds no zeros and no leftovers of earlier reading: where the library
/// takes such for pointers (it does in an attribute table that it could not finish), it dies here and now,
/// not by chance later.
void spoil_unwritten_memory() {
  constexpr int kFilling = 0x5A;
  H5garbage_collect();
  H5set_free_list_limits(0, 0, 0, 0, 0, 0);
#ifdef M_PERTURB
  mallopt(M_PERTURB, kFilling);
#endif
}

[[noreturn]] void read_and_exit(const char* path, rlim_t seconds) {
  const rlimit no_core = {0, 0}, computing = {seconds, seconds};
  ::setrlimit(RLIMIT_CORE, &no_core);
  ::setrlimit(RLIMIT_CPU, &computing);
  for (const int fatal : {SIGSEGV, SIGBUS, SIGABRT, SIGFPE, SIGALRM}) std::signal(fatal, SIG_DFL);
  ::alarm(kMostSeconds);
  const int nowhere = ::open("/dev/null", O_WRONLY);
  ::dup2(nowhere, STDOUT_FILENO);
  ::dup2(nowhere, STDERR_FILENO);  // what a dying C library says is no message of ours
  H5Eset_auto2(H5E_DEFAULT, nullptr, nullptr);
  spoil_unwritten_memory();
  const hid_t file = H5Fopen(path, H5F_ACC_RDONLY, H5P_DEFAULT);
  ::_exit(file < 0 || can_be_walked(file) ? 0 : 1);  // what is no HDF5 file at all has its own message
}

}  // namespace

bool survives_reading(const std::string& path) {
  std::error_code unknown;
  const std::uintmax_t size = std::filesystem::file_size(path, unknown);
  const rlim_t seconds = kSeconds + (unknown ? 0 : size / kBytesASecond);
  const pid_t child = ::fork();
  if (child == 0) read_and_exit(path.c_str(), seconds);
  if (child < 0) return true;  // no process to be had: the file is read untried
  int status = 0;
  while (::waitpid(child, &status, 0) < 0 && errno == EINTR) {
  }
  return WIFEXITED(status) && WEXITSTATUS(status) == 0;
}

}  // namespace cohlink::h5
