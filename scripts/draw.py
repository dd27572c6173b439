"""Make a picture for a post or a paper: of a stylus, of a capture's curve, of two captures.

python scripts/draw.py my/config.yaml --stylus ID [--metric response_10khz_db]
python scripts/draw.py my/config.yaml --captures ID [--curve separation] [--channel left]
python scripts/draw.py my/config.yaml --captures ID ID

Draws what the workflow has measured, as SVG and as PNG of twice a screen's pixels, signed with
stylus, record and load. Of two captures a second picture shows the difference.
"""

from pathlib import Path

from command_line import archive_parser, exit_status


def main() -> None:
    """Run the program."""
    parser = archive_parser(__doc__)
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--stylus", metavar="ID", help="its trend against hours")
    what.add_argument(
        "--captures", metavar="ID", nargs="+", help="one or two, laid over each other"
    )
    parser.add_argument(
        "--metric", metavar="NAME", help="of a stylus (default: the figure that decides)"
    )
    parser.add_argument(
        "--curve",
        choices=("response", "separation", "distortion"),
        default="response",
        help="of captures (default: %(default)s)",
    )
    parser.add_argument(
        "--channel",
        choices=("left", "right"),
        help="of captures (default: both of one capture, left of two)",
    )
    parser.add_argument(
        "--output",
        type=Path,
        metavar="FOLDER",
        help="folder for the pictures (default: figures under the results)",
    )
    arguments = parser.parse_args()
    if len(arguments.captures or ()) > 2:
        parser.error("--captures takes one or two ids")
    # Only now: help is quick.
    from grooveledger.configuration import load, read_config
    from grooveledger.report import asked_pictures
    from grooveledger.report.pictures.svg import save_with_pixels

    config = read_config(arguments.configfile)
    archive = load(config, arguments.directory, str(arguments.configfile))
    results = arguments.directory / archive.settings["results"]
    if arguments.stylus:
        break_in_hours = archive.styli.get(arguments.stylus, {}).get("break_in_hours") or 0.0
        pictures = [
            asked_pictures.stylus_trend(
                arguments.stylus,
                arguments.metric,
                results / "tables",
                break_in_hours,
                archive.chains,
            )
        ]
    elif len(arguments.captures) == 1:
        pictures = [
            asked_pictures.capture_curve(
                arguments.captures[0],
                arguments.curve,
                arguments.channel,
                results,
                archive.chains,
            )
        ]
    else:
        pictures = list(
            asked_pictures.two_captures(
                arguments.captures,
                arguments.curve,
                arguments.channel or "left",
                results,
                archive.chains,
            )
        )
    folder = arguments.output or results / "figures"
    folder.mkdir(parents=True, exist_ok=True)
    for picture in pictures:
        save_with_pixels(picture, folder)
        print(folder / f"{picture.name}.svg")
        print(folder / f"{picture.name}.png")


if __name__ == "__main__":
    raise SystemExit(exit_status(main))
