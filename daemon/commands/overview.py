"""`dewlid overview`: all sites that report to one broker."""

from __future__ import annotations

import argparse
import errno
import json
from datetime import UTC, datetime
from pathlib import Path

from pydantic import ValidationError

from adapters.broker import Broker
from adapters.outlets import MqttOutlet
from adapters.topic_survey import gather
from daemon.desk.numbers import number
from daemon.desk.options import Lacking, config_option, load_config
from daemon.desk.overview import as_text, filters, sites
from daemon.store import word_faults
from daemon.store.spool import WordError


def add(parser: argparse.ArgumentParser) -> None:
    """Say how the command is called."""
    parser.description = (
        "See all sites that report to one MQTT broker: which of them watch, how many chambers each has, and what"
        " stands, the most urgent first. It only reads what the sites have left there. Without --broker: the broker of the"
        " first mqtt outlet of your config."
    )
    parser.epilog = "Example:  dewlid overview --broker broker.school.example --user viewer --password-file ~/.broker-password"
    config_option(parser)
    option = parser.add_argument
    option("--broker", metavar="HOST[:PORT]", help="the broker; no config is needed then")
    option("--user", metavar="USER", help="user at the broker")
    option("--password-file", metavar="FILE", help="file that holds the password alone")
    option("--ca", metavar="FILE", help="use TLS, with this authority's certificate (PEM)")
    option("--below", metavar="TOPIC", help="first level of the topics, `topics_below` of the outlets (default dewlid)")
    option("--listen", metavar="SECONDS", type=number, default=2.0, help="how long to listen (default 2)")
    option("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print it."""
    broker, below = _source(args)
    found = sites(gather(broker, filters(below), args.listen, purpose="overview"), below)
    if args.json:
        print(json.dumps({"sites": [site.as_json() for site in found]}, ensure_ascii=False, allow_nan=False))
    else:
        print(as_text(found, datetime.now(UTC)))
    return 0


def _source(args: argparse.Namespace) -> tuple[Broker, str]:
    if args.broker is None:
        return _of_config(args)
    host, colon, port = args.broker.rpartition(":")
    given = {"host": host, "port": int(port)} if colon and port.isdecimal() and ":" not in host else {"host": args.broker}
    secret = Path(args.password_file).expanduser().absolute() if args.password_file else None
    ca_file = Path(args.ca).expanduser().absolute() if args.ca else None
    for path in (secret, ca_file):
        if path is not None and not path.is_file():
            raise FileNotFoundError(errno.ENOENT, "there is no such file", str(path))
    given |= {"user": args.user, "password_file": secret and str(secret)}
    given |= {"ca_file": ca_file and str(ca_file), "tls": bool(ca_file)}
    try:
        return Broker.model_validate({key: value for key, value in given.items() if value is not None}), args.below or "dewlid"
    except ValidationError as error:
        raise WordError(f"--broker: {word_faults.told(error, by_key=True)}") from error


def _of_config(args: argparse.Namespace) -> tuple[Broker, str]:
    configuration = load_config(args)
    outlet = next((one for one in configuration.outlet.values() if isinstance(one, MqttOutlet)), None)
    if outlet is None:
        raise Lacking("Your config has no outlet of kind mqtt, so say which broker: dewlid overview --broker HOST")
    return configuration.broker[outlet.broker], args.below or outlet.topics_below
