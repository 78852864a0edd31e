"""The three kinds of copy: preservation, corrected master, access."""
