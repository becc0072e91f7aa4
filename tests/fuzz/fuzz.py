"""Coverage-guided fuzzing of one reader: `python tests/fuzz/fuzz.py stl -runs=100000`.

Needs the extra "fuzz" (atheris). Words after the reader's name go to libFuzzer; useful ones are -runs=N,
-max_total_time=SECONDS and -jobs=N. An input that breaks a reader is written to the working folder; shrink it
with -minimize_crash=1 and keep it in tests/broken, where the tests walk it.
"""

import importlib
import sys
import tempfile
from pathlib import Path

import atheris

TESTS = Path(__file__).parents[1]
GUIDED = (
    "bayreach.meshfile",
    "bayreach.repair",
    "bayreach.job",
    "bayreach.job._tables",
    "bayreach.job._wand_tables",
    "bayreach.tips",
    "bayreach.deposit.coupons",
    "bayreach.store",
)


def main() -> None:
    """Fuzz the reader named first on the command line."""
    sys.path.insert(0, str(TESTS))
    with atheris.instrument_imports(include=["bayreach"]):
        for name in GUIDED:
            importlib.import_module(name)
    readers = importlib.import_module("readers")
    name = sys.argv[1] if len(sys.argv) > 1 else ""
    if name not in readers.READERS:
        sys.exit(f"name a reader: {', '.join(readers.READERS)}")
    corpus = Path(tempfile.mkdtemp(prefix=f"fuzz-{name}-"))
    for index, data in enumerate(readers.seeds(name)):
        (corpus / f"seed-{index}").write_bytes(data)
        readers.survives(name, data)  # lazy libraries load and compile here, not on the fuzzer's clock
    words = [sys.argv[0], "-timeout=10", "-rss_limit_mb=2048", "-max_len=8192", *sys.argv[2:], str(corpus)]

    def one(data: bytes) -> None:
        readers.survives(name, data)

    atheris.Setup(words, one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
