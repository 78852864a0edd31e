"""What a command ends with; scripts rely on it."""

DONE = 0
USAGE = 2  # usage or sheet error: nothing was written
FAILED_QC = 3  # everything was written, at least one verdict is fail
FAILED_SIDE = 4  # at least one side could not be processed, the others were
