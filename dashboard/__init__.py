"""The assessment that joins store and statistics, figures, pages, and the command line."""

import os

# Before NumPy is loaded. The matrices here are small: several threads of its linear algebra mostly
# wait for each other, and take four times the processor time of one (measured where other work
# goes on beside). Who has set it already is left alone.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
