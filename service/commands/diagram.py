"""``pawnlore diagram``: a position as a diagram of a printed book."""

from __future__ import annotations

import argparse

HELP = "draw a position as a diagram of a printed book, as SVG"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    from pawnlore.service.repertoire_input import add_output_option

    parser.add_argument(
        "fen", metavar="FEN", help="a FEN or EPD in quotes, or the placement of the pawns alone"
    )
    parser.add_argument(
        "--view",
        choices=("position", "skeleton"),
        default="position",
        help="skeleton: the pawns strong and the pieces light",
    )
    parser.add_argument(
        "--side",
        choices=("white", "black"),
        default="white",
        help="whose view it is: the side below (White by default)",
    )
    for name, what in (
        ("squares", "squares of that side's plan, as in 'b5 c6': rings"),
        ("moves", "moves of that side's plan, one after the other, as in 'Rab1 b4 b5': arrows"),
        ("their-squares", "squares of the other side's plan: frames"),
        ("their-moves", "moves of the other side's plan: dashed arrows"),
    ):
        parser.add_argument(f"--{name}", metavar="LIST", default="", help=what)
    parser.add_argument(
        "--small", action="store_true", help="for the size of a stamp: no coordinates"
    )
    parser.add_argument("--width", type=int, metavar="PIXELS", help="the drawing's width")
    add_output_option(parser)


def run(args: argparse.Namespace) -> int:
    """Draw it."""
    from pawnlore.service.cli import CannotStart
    from pawnlore.service.diagram_request import DiagramError, DiagramRequest, requested_svg
    from pawnlore.service.exports.output import write_output

    wanted = DiagramRequest(
        args.fen,
        view=args.view,
        side=args.side,
        squares=args.squares.split(),
        moves=args.moves.split(),
        their_squares=args.their_squares.split(),
        their_moves=args.their_moves.split(),
        small=args.small,
        width=args.width,
    )
    try:
        drawn = requested_svg(wanted)
    except DiagramError as error:
        raise CannotStart("; ".join(error.messages)) from None
    write_output([drawn, "\n"], args.output)
    return 0
