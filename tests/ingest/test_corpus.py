"""More than two thousand mutated files: each is read with a closed account, or refused.

Every value in use is held against the clean reading that the file was made from.
"""

import json
import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

from .mutations import BYTE_DAMAGE, TABLE_DAMAGE

ROOT = Path(__file__).parents[2]
FILES = 2100


def test_no_row_is_lost_and_no_value_changed_in_a_corpus_of_mutated_files() -> None:
    parts = min(4, os.cpu_count() or 1)
    running = [
        subprocess.Popen(
            [sys.executable, "-m", "tests.ingest.corpus", str(part), str(FILES), str(parts)],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONWARNINGS": "error"},
        )
        for part in range(parts)
    ]
    found: Counter[str] = Counter()
    wrong: list[str] = []
    for process in running:
        out, err = process.communicate()
        assert process.returncode == 0, err  # a traceback
        counts, differs = json.loads(out)
        found.update(counts)
        wrong += differs
    assert not wrong, "\n".join(wrong[:30])
    assert found["files"] == FILES
    # a reader that refused everything would pass too: most files must give their rows
    assert found["used"] > 0.9 * FILES
    assert found["rows"] > 5 * found["used"]
    for damage in (*TABLE_DAMAGE, *BYTE_DAMAGE, "xlsx", "parquet", "packed"):
        assert found[damage] >= 40, damage
