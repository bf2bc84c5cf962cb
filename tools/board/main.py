# For MicroPython. What a board starts; the work is in tools/board/hardware.py.
import gc
import sys

# Collect often while loading: what stays then lies close together.
gc.threshold(4096)
if len(sys.argv) > 1:  # the unix port
    sys.path.insert(0, sys.argv[1])

from breathmap.tools.board.hardware import main  # noqa: E402

main()
