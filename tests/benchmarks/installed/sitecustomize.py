"""Run by every Python that a benchmark starts: packages of the extra `test` are not found."""

import importlib.abc
import sys

#: What pydicom loads where it is there. None of our dependencies brings it along.
_ONLY_TESTS = {"requests", "tqdm", "pylibjpeg", "libjpeg", "openjpeg", "rle", "jpeg_ls", "gdcm"}


class _NotInstalled(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path=None, target=None):  # type: ignore[no-untyped-def]
        if name.partition(".")[0] in _ONLY_TESTS:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
        return


sys.meta_path.insert(0, _NotInstalled())
