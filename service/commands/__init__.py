"""The commands: one module each, named after the command.

A command module has ``HELP`` (one line), ``add_arguments(parser)`` and
``run(args) -> int`` (the exit status: 0 all good, 1 finished but some input
was bad, 2 could not start). It imports what is heavy inside ``run``.
"""
