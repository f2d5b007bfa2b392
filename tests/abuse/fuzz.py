"""One target for long: ``python -m tests.abuse.fuzz NAME INPUTS SEED FOLDER``. Coverage guides what is bent next.

Ends with libFuzzer's own words; an input that broke something is left in the folder.
"""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["benchlog", "benchlog_drivers"]):
    from tests.abuse.targets import TARGETS


def main(name: str, inputs: str, seed: str, folder: str) -> None:
    """Never returns."""
    target = next(one for one in TARGETS if one.name == name)
    corpus = Path(folder) / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    for number, data in enumerate(target.seeds):
        (corpus / f"seed-{number}").write_bytes(data)
    most = max(map(len, target.seeds)) * 2 + 64
    options = [f"-runs={inputs}", f"-seed={seed}", f"-max_len={most}", f"-artifact_prefix={folder}/", "-timeout=20"]
    atheris.Setup([sys.argv[0], str(corpus), *options], target.check)
    atheris.Fuzz()


if __name__ == "__main__":
    main(*sys.argv[1:])
