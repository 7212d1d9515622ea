"""The part of the package's build that pyproject.toml cannot say: CMake makes the extension module."""
import os
import pathlib
import re
import shlex
import shutil
import subprocess
import sys

from setuptools import Extension, setup
from setuptools.command.build_ext import build_ext

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent
if not (ROOT / "sim").is_dir():
    raise SystemExit("build from the repository: pip install ./tools/python")


class CMakeBuild(build_ext):
    """Configures and builds the target cohlink_python for the interpreter that runs this."""

    def build_extension(self, ext):
        build = pathlib.Path(self.build_temp).resolve() / "cmake"
        flags = [f"-DPython_EXECUTABLE={sys.executable}", "-DCOHLINK_PYTHON_MODULE=ON", "-DBUILD_TESTING=OFF",
                 "-DCMAKE_BUILD_TYPE=Release", "-DCOHLINK_MPI=OFF"]
        flags += shlex.split(os.environ.get("CMAKE_ARGS", ""))
        try:
            import pybind11
            flags.append(f"-Dpybind11_DIR={pybind11.get_cmake_dir()}")
        except ImportError:
            pass  # the system's
        generator = ["-G", "Ninja"] if shutil.which("ninja") else []
        subprocess.run(["cmake", "-S", ROOT, "-B", build, *generator, *flags], check=True)
        jobs = os.environ.get("CMAKE_BUILD_PARALLEL_LEVEL") or str(os.cpu_count() or 1)
        subprocess.run(["cmake", "--build", build, "--target", "cohlink_python", "--parallel", jobs], check=True)
        target = pathlib.Path(self.get_ext_fullpath(ext.name))
        target.parent.mkdir(parents=True, exist_ok=True)
        (built,) = (build / "python" / "cohlink").glob("_core*.so")
        shutil.copy2(built, target)


version = re.search(r"project\(cohlink VERSION ([0-9.]+)", (ROOT / "CMakeLists.txt").read_text())[1]
setup(version=version, ext_modules=[Extension("cohlink._core", [])], cmdclass={"build_ext": CMakeBuild})
