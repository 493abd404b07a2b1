"""`dewlid init`: from the probes that are plugged in to a commented config."""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
from pathlib import Path

from daemon.check import inspection
from daemon.check.finding import print_findings
from daemon.config.configuration import Configuration, load, load_text
from daemon.desk.numbers import number, whole
from daemon.desk.options import config_path, program_name, quiet_logs
from daemon.report.writing import NotWritten
from daemon.setup.draft import config_text
from daemon.setup.guide import Answers, Guide, write
from daemon.setup.handing_over import borrow_credentials, write_drop_in


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "Find the probes on serial ports and on an MQTT broker, ask a few questions, show the readings live, and"
        " write a commented config. An older config is kept beside it. Every answer can be given as an option; with --yes"
        " nothing is asked, and what is not given takes its default."
    )
    parser.epilog = "Examples:  dewlid init          dewlid init --broker 192.0.2.10 --mail keeper@example.org"
    option = parser.add_argument
    option("--out", metavar="FILE",
           help="where to write; default: /etc/dewlid/dewlid.toml as root, else ~/.config/dewlid/dewlid.toml")  # fmt: skip
    option("--yes", action="store_true", help="ask nothing")
    option("--site", metavar="NAME", help="how letters call this place")
    option("--time-zone", metavar="ZONE", help="IANA name, such as Europe/Lisbon; default: this machine's")
    option("--altitude", metavar="M", type=number, help="height above the sea, m")
    option("--genus", choices=("Atta", "Acromyrmex"), help="genus of the colony")
    option("--species-group", choices=("tropical", "northern", "southern", "highland"), help="where its species is at home")
    option("--age", metavar="MONTHS", type=whole(0, 600), help="age of the colony in months, roughly")
    option("--lid", choices=("acrylic", "polycarbonate", "glass", "pet"), help="material of the lid")
    option("--room-span", metavar="'A to B'", help="how cold and how warm the room gets in a year, degC (default: 18 to 26)")
    option("--air", metavar="ML|AxBxC", help="air in the chamber, ml, or its inner size in cm, such as 30x20x15")
    option("--vents", metavar="N", help="vents that can be opened and closed; - if not known")
    option("--mist", choices=("yes", "no"), help="whether it is sprayed or misted")
    option("--foam", choices=("yes", "no"), help="whether foam or a second pane is there to be put on the lid")
    option("--granules", choices=("yes", "no"), help="whether damp clay granules or a damp edge of substrate are in it")
    option("--heater", metavar="W", type=number, help="power of the heater, W; 0: none; absent: not known")
    option("--place", metavar="NAME", action="append", default=[],
           help='where the first, second, ... probe is: a chamber such as tank-1, "room", or "-"; may be repeated')  # fmt: skip
    option("--port", metavar="PORT", action="append", help="look at this serial port only; may be repeated; - for none")
    option("--addresses", metavar="A-B", type=_addresses, default="1-16", help="Modbus addresses to ask (default 1-16)")
    option("--listen", metavar="SECONDS", type=number, default=12.0, help="how long to listen at each place (default 12)")
    option("--broker", metavar="HOST[:PORT]", help="MQTT broker to listen on; - for none")
    option("--broker-user", metavar="USER", help="user at the broker")
    option("--broker-password-file", metavar="FILE", help="file that holds the password alone")
    option("--broker-ca", metavar="FILE", help="use TLS, with this authority's certificate (PEM)")
    option("--mail", metavar="ADDRESS", help="your mail address; - for none")
    option("--second", metavar="ADDRESS", help="somebody nearby who is told when you do not answer; - for none")
    option("--mail-host", metavar="HOST[:PORT]", help="server that takes your outgoing mail")
    option("--mail-user", metavar="USER", help="user there; - for none")
    option("--mail-password-file", metavar="FILE", help="file that holds the password alone")
    option("--mail-security", choices=("tls", "starttls"), help="encrypted from the first byte (default), or by STARTTLS")
    option("--mail-ca", metavar="FILE", help="certificate (PEM) of the authority that signed the mail server's")
    option("--state-folder", metavar="FOLDER", help="where the record is kept; absent: the usual place")
    parser.set_defaults(run=run)


_BY_OUT = "name a file that you may write by --out, or type it with sudo"


def _addresses(text: str) -> range:
    low, _, high = text.partition("-")
    if not (low.isdecimal() and (high or low).isdecimal() and 1 <= int(low) <= int(high or low) <= 247):
        raise argparse.ArgumentTypeError(f'"{text}" are no addresses; write them like 1-16, within 1 to 247')
    return range(int(low), int(high or low) + 1)


def run(args: argparse.Namespace) -> int:
    """Hold the dialogue, show the readings, write."""
    quiet_logs()
    borrow_credentials()
    path = _target(args)
    guide = Guide(_answers(args), path.parent, print, input)
    draft = guide.draft()
    text = config_text(draft)
    with guide.secrets.on_trial() as tried:
        good = _show_readings(load_text(tried(text), str(path)))
    if not good:
        print("\nNot every probe could be read. The config can be written all the same; `dewlid check` tells more.")
    if guide.ask(f"\nWrite this to {path}? (yes, no, show)", "yes", lambda said: _decided(said, text)) == "no":
        print("Nothing was written.")
        return 0
    try:
        backup = write(draft, path)
    except OSError as error:
        raise NotWritten(f"{path} cannot be written: {error.strerror}. Nothing was written: {_BY_OUT}.") from error
    try:
        guide.secrets.write()
    except OSError as error:
        left = f"{path} is written, the passwords are not: write each alone into the file that it names"
        raise NotWritten(f"{error.filename or path.parent} cannot be written: {error.strerror}. {left}.") from error
    print(f"\nWritten: {path}" + (f"; the older one is kept as {backup}" if backup else ""))
    _hand_over(path)
    _what_next(path, mails=draft.mail is not None)
    return 0


def _hand_over(path: Path) -> None:
    """For the service: have systemd hand the passwords over to it."""
    if path == Path("/etc/dewlid/dewlid.toml") and (drop_in := write_drop_in(load(path))) is not None:
        print(f"Written: {drop_in}, by which systemd hands the passwords over to the service")
        if systemctl := shutil.which("systemctl"):
            subprocess.run([systemctl, "daemon-reload"], check=False, capture_output=True)  # noqa: S603  # its own path


def _decided(said: str, text: str) -> str:
    if said.lower() in ("show", "s"):
        print(text)
        raise ValueError("yes or no?")
    if said.lower() not in ("yes", "y", "no", "n"):
        raise ValueError('say "yes", "no", or "show" to read it first')
    return "no" if said.lower().startswith("n") else "yes"


def _show_readings(configuration: object) -> bool:
    assert isinstance(configuration, Configuration)
    print("\nThe probes as this config reads them, now:")
    findings = inspection.of_probes(configuration, None)
    print_findings(findings)
    return all(finding.grade != "fault" for finding in findings)


def _what_next(path: Path, *, mails: bool) -> None:
    same = config_path(argparse.Namespace(config=None)) == path
    name = "" if same else f" {path}"
    program = program_name()
    trial = f"{program} check --send{name}"
    begin = "sudo systemctl enable --now dewlid" if path == Path("/etc/dewlid/dewlid.toml") else f"{program} run{name}"
    arrives = "; a test letter must arrive" if mails else ""
    print(f"Next:  {trial:{len(begin)}}   tries everything{arrives}")
    print(f"       {begin:{len(trial)}}   watches from now on")
    if not mails:
        print("No mail server was named: no letter leaves this machine, and nobody is woken. Write [outlet.mail] to get them.")
    print("Read the file once and correct the guesses: lid, garden, devices, bands. `dewlid keys` explains each.")


def _target(args: argparse.Namespace) -> Path:
    if args.out:
        return Path(args.out).absolute()
    if os.geteuid() == 0:
        return Path("/etc/dewlid/dewlid.toml")
    home = os.environ.get("XDG_CONFIG_HOME", "")
    return (Path(home) if home.startswith("/") else Path.home() / ".config") / "dewlid" / "dewlid.toml"


def _answers(args: argparse.Namespace) -> Answers:
    more = {"security": args.mail_security, "ca_file": args.mail_ca}
    return Answers(
        site=args.site, time_zone=args.time_zone, altitude_m=args.altitude, genus=args.genus,
        group=args.species_group, months=args.age, lid=args.lid,
        heater_w=args.heater, air=args.air, vents=args.vents, mist=args.mist, foam=args.foam, granules=args.granules,
        second=args.second,
        room_span=args.room_span, places=args.place,
        ports=None if args.port is None else [one for one in args.port if one != "-"],
        addresses=args.addresses, listen_s=args.listen, broker=_broker(args), mail_to=args.mail, mail_host=args.mail_host,
        mail_user=args.mail_user, mail_password_file=args.mail_password_file,
        mail_more=more, state_folder=args.state_folder, ask_nothing=args.yes,
    )  # fmt: skip


def _broker(args: argparse.Namespace) -> dict[str, object] | None:
    if args.broker is None:
        return None
    given = {
        "host": args.broker, "user": args.broker_user, "password_file": args.broker_password_file,
        "tls": True if args.broker_ca else None, "ca_file": args.broker_ca,
    }  # fmt: skip
    return {key: value for key, value in given.items() if value is not None}
