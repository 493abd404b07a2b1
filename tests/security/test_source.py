"""What the source never does: execute data, use a shell, open a port, go round TLS, put SQL together."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SOURCES = sorted(path for package in ("rules", "adapters", "daemon") for path in (ROOT / package).rglob("*.py"))

FORBIDDEN_IMPORTS = {
    "pickle", "cPickle", "marshal", "shelve", "dill", "yaml", "xml", "ctypes", "cffi", "code", "codeop", "pty",
    "telnetlib", "ftplib",
    "http", "http.server", "socketserver", "xmlrpc", "wsgiref", "multiprocessing", "asyncio", "imp", "runpy", "pdb",
    "email.mime", "os.system", "os.popen", "subprocess.getoutput", "socket.create_server", "ssl.SSLContext",
}  # fmt: skip
FORBIDDEN_CALLS = {
    "eval", "exec", "__import__", "system", "popen", "execv", "execve", "execvp", "spawnv", "spawnl", "posix_spawn",
    "getoutput", "getstatusoutput", "listen", "create_server", "start_server", "bind", "tls_insecure_set",
    "_create_unverified_context", "SSLContext", "set_authorizer", "enable_load_extension", "load_extension", "executescript",
}  # fmt: skip
REVIEWED_CALLS = {
    ("daemon/demo/broker.py", "bind"): "asks for a free loopback port for the demo's own broker and lets it go",
    ("daemon/setup/search.py", "listen"): "listens to serial lines, by a function of our own",
}
FORBIDDEN_NAMES = {"CERT_NONE", "CERT_OPTIONAL", "OP_NO_TLSv1_3"}
MAY_START_PROCESSES = {
    "daemon/fit/process.py": "a second interpreter of our own fits the chamber model, so that the watch does not wait for it",
    "daemon/watch/digest_chart.py": "an interpreter of our own draws the chart of a digest, so that the daemon stays small",
    "daemon/commands/init.py": "systemctl daemon-reload, after the keeper let init write the service's drop-in",
    "daemon/check/machine.py": "`check` asks systemd's own programs, with fixed arguments, how clock and service are",
    "daemon/demo/broker.py": "the demo's own broker, on loopback, with arguments of our own",
    "daemon/demo/stage.py": "the demo starts dewlid itself",
}
MAY_IMPORT_BY_NAME = {"daemon/cli.py": "the commands of a written list"}
REVIEWED_SQL = {
    "daemon/store/migrations.py": "numbers of our own, formatted as :d, since PRAGMA takes no bound value; constant steps",
    "daemon/store/batch_rows.py": "`where` is one of our own constants; its values are bound",
    "daemon/store/retention.py": "constants that the function is given; its values are bound",
    "daemon/store/outbox_rows.py": "constants of the module in a loop; their values are bound",
}
"""Modules with SQL that is not literal at the call, each read by a human; a new one must be added here with its reason."""


def calls(tree: ast.AST) -> Iterator[tuple[str, ast.Call]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            yield node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", ""), node


def imports(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def executed(tree: ast.AST) -> list[str]:
    """Return what could execute data, open a door or skip a check."""
    found = [f"import {name}" for name in imports(tree) if any(f"{name}.".startswith(f"{bad}.") for bad in FORBIDDEN_IMPORTS)]
    found += [
        f"{name}()" for name, call in calls(tree)
        if name in FORBIDDEN_CALLS and (isinstance(call.func, ast.Attribute) or name in ("eval", "exec", "__import__"))
    ]  # fmt: skip
    found += [
        f"{name}(shell=...)" for name, call in calls(tree)
        if any(word.arg == "shell" for word in call.keywords)
    ]  # fmt: skip
    names = {node.attr if isinstance(node, ast.Attribute) else getattr(node, "id", "") for node in ast.walk(tree)}
    found += sorted(names & FORBIDDEN_NAMES)
    targets = [target for node in ast.walk(tree) if isinstance(node, ast.Assign) for target in node.targets]
    found += [
        f"{target.attr} =" for target in targets
        if isinstance(target, ast.Attribute) and target.attr in ("verify_mode", "check_hostname", "verify_flags")
    ]  # fmt: skip
    return found


def free_sql(tree: ast.Module) -> list[int]:
    """Return the lines of SQL that is neither literal at the call nor a literal constant of the module."""
    constants = {
        target.id
        for node in tree.body if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant)
        for target in node.targets if isinstance(target, ast.Name)
    }  # fmt: skip
    lines = []
    for name, call in calls(tree):
        if name in ("execute", "executemany"):
            statement = call.args[0]
            literal = isinstance(statement, ast.Constant) and isinstance(statement.value, str)
            if not literal and not (isinstance(statement, ast.Name) and statement.id in constants):
                lines.append(call.lineno)
    return lines


def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


def test_nothing_is_executed_from_data_no_door_is_opened_and_no_check_is_skipped() -> None:
    found = {name_of(path): executed(parsed(path)) for path in SOURCES}
    wrong = {
        name: [one for one in all_ if (name, one.removesuffix("()")) not in REVIEWED_CALLS] for name, all_ in found.items()
    }
    assert {name: all_ for name, all_ in wrong.items() if all_} == {}


def test_only_reviewed_modules_start_a_process_and_their_program_is_ours() -> None:
    starting = {name_of(path) for path in SOURCES if "subprocess" in set(imports(parsed(path)))}
    assert starting - set(MAY_START_PROCESSES) == set()


def test_an_interpreter_of_our_own_never_looks_for_modules_where_it_stands() -> None:
    """Else a folder named like one of ours, in the working folder, would be run."""
    started = {
        name_of(path): [element.value for element in node.elts if isinstance(element, ast.Constant)]
        for path in SOURCES for node in ast.walk(parsed(path))
        if isinstance(node, ast.List) and node.elts and ast.unparse(node.elts[0]) == "sys.executable"
    }  # fmt: skip
    assert started
    assert [name for name, words in started.items() if not {"-P", "-I"} & set(words) and "/demo/" not in name] == []


def test_no_module_is_imported_by_a_name_from_data() -> None:
    importing = {name_of(path) for path in SOURCES if any(name == "import_module" for name, _ in calls(parsed(path)))}
    assert importing - set(MAY_IMPORT_BY_NAME) == set()


def test_sql_is_constant_and_its_values_are_bound() -> None:
    free = {name_of(path): free_sql(parsed(path)) for path in SOURCES}
    assert {name: lines for name, lines in free.items() if lines and name not in REVIEWED_SQL} == {}


def test_no_sql_is_put_together_from_text() -> None:
    """Even where SQL is no literal at the call, it is never joined by +, % or format, and by f"..." only in reviewed places."""
    joined = {}
    for path in SOURCES:
        for name, call in calls(parsed(path)):
            if name in ("execute", "executemany") and isinstance(call.args[0], ast.BinOp | ast.Call | ast.JoinedStr):
                joined.setdefault(name_of(path), []).append(call.lineno)
    assert set(joined) - {"daemon/store/migrations.py"} == set(), joined


@pytest.mark.parametrize(
    "bad",
    [
        "import pickle", "from xml.etree import ElementTree", "eval('1')", "os.system('x')", "subprocess.run('x', shell=True)",
        "sock.listen(1)", "context.verify_mode = 0", "context.check_hostname = False", "ssl.CERT_NONE",
        "ssl._create_unverified_context()", "client.tls_insecure_set(True)", "from email.mime.text import MIMEText",
        "from os import system", "exec(text)", "server = socket.create_server(('', 1))",
    ],
)
def test_the_search_finds_what_is_forbidden(bad: str) -> None:
    assert executed(ast.parse(bad))


@pytest.mark.parametrize("bad", ['c.execute(f"SELECT {x}")', 'c.execute("SELECT " + x)', "c.execute(x)", "c.executemany(x, y)"])
def test_the_search_finds_free_sql(bad: str) -> None:
    assert free_sql(ast.parse(bad))
