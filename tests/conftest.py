"""What holds for all tests: how many threads the linear algebra may take."""

import os

# The matrices are small, and several workers share the processors: threads that wait for each
# other take more time than they save, on a loaded machine ten times as much. Workers of
# pytest-xdist and every program that a test starts inherit this before they load numpy.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
