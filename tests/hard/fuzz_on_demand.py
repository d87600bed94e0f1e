"""Coverage-guided fuzzing on demand, by atheris, which is no dependency: ``pip install atheris`` first.

    python -m tests.hard.fuzz_on_demand TARGET [FOLDER OF SEEDS] [-runs=100000] [-max_total_time=600]

TARGET is one of those in ``tests/helpers/fuzz_targets.py``; without one they are listed. What crashes is left as
``crash-…`` in the current folder; give that file in the place of the folder to see it again.
"""

import sys


def main() -> None:
    """Feeds one target until told to stop."""
    if len(sys.argv) < 2:
        from tests.helpers.fuzz_targets import TARGETS

        print("\n".join(f"{name:16} {(target.__doc__ or '').splitlines()[0]}" for name, target in TARGETS.items()))
        return
    import atheris

    with atheris.instrument_imports(include=["pipeline"]):
        from tests.helpers.fuzz_targets import TARGETS
    target = TARGETS[sys.argv.pop(1)]
    atheris.Setup(sys.argv, target)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
