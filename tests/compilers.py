"""The C compilers that the header is tried with."""

import os
import shutil

import pytest

FLAGS = ["-Wall", "-Wextra", "-pedantic", "-Werror"]
COMPILERS = [("gcc", ["-std=c99", "-x", "c"]), ("g++", ["-std=c++11", "-x", "c++"])]


def need(compiler: str) -> None:
    if shutil.which(compiler) is None:
        assert os.environ.get("JOGTUNE_NEED_COMPILER") != "1", f"{compiler} is needed here and absent"
        pytest.skip(f"{compiler} is not installed: the header can't be compiled")
