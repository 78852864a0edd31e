"""A tiny process that outlives feltpad by a moment: when feltpad is gone, it ends what feltpad had started.

A worker notices by itself that its parent died, but not while one long call into C holds the interpreter; and it may be
killed before it has ended its own encoder. So the groups of all workers are also known to this process. It is told
"+<group>" and "-<group>" on its standard input, one a line; when that ends without "bye", feltpad died, and every
group still on the list is killed. Run by its path, with nothing but the standard library: it costs 8 MB and 20 ms.

The kernel's parent-death signal is not used on purpose: it comes when the *thread* that started the child ends (a task
runner's threads do), and it would kill a worker before the worker could end its encoder.
"""

from __future__ import annotations

import os
import signal
import sys


def main() -> None:
    for ignored in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(ignored, signal.SIG_IGN)
    groups: set[int] = set()
    for line in sys.stdin.buffer:
        if line == b"bye\n":
            return
        if not line.endswith(b"\n"):  # cut off by the death of who wrote it
            break
        (groups.add if line[:1] == b"+" else groups.discard)(int(line[1:]))
    for group in groups:
        try:
            os.killpg(group, signal.SIGKILL)
        except OSError:  # already gone
            continue


if __name__ == "__main__":
    main()
