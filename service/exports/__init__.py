"""Writers: one module for each format that leaves the program."""
