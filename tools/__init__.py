"""What a person starts: the command `breathmap` and the scripts for benchmarks and documents."""

import os

# One bank's equations are small: more threads only wait for one another. Measured on two busy
# cores, a solve takes 0.03 s with one thread and 1 s with two. Must stand before numpy is imported.
for _name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
