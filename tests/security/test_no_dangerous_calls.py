"""What the program never does, read from its own source.

The list is that of the Python documentation, "Security Considerations" of the standard library (pickle,
marshal, shelve, subprocess with a shell, tempfile.mktemp, ssl without verification), with eval and the like.
"""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "tankwatch"
MODULES = sorted(PACKAGE.rglob("*.py"))

NEVER_CALLED = frozenset(
    {
        "eval", "exec", "compile", "__import__", "os.system", "os.popen", "os.execv", "os.execvp",
        "subprocess.getoutput", "subprocess.getstatusoutput", "pty.spawn", "asyncio.create_subprocess_shell",
        "tempfile.mktemp", "yaml.load", "ssl._create_unverified_context", "ssl.wrap_socket", "random.seed",
    }
)  # fmt: skip
NEVER_IMPORTED = frozenset({"pickle", "cPickle", "marshal", "shelve", "dill", "code", "telnetlib", "ftplib"})
NEVER_NAMED = frozenset({"CERT_NONE", "tls_insecure_set", "_create_unverified_context", "VERIFY_DEFAULT"})


def faults(source: str) -> Iterator[str]:
    """Yield `line: what` for all that is forbidden in `source`."""
    tree = ast.parse(source)
    full = {}  # the whole name of what was imported, by the name it has here
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                full[alias.asname or alias.name] = alias.name
        elif isinstance(node, ast.ImportFrom):
            for alias in node.names:
                full[alias.asname or alias.name] = f"{node.module}.{alias.name}"
    for name in full.values():
        if name.partition(".")[0] in NEVER_IMPORTED:
            yield f"import of {name}"
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            yield from _of_call(node, full)
        elif isinstance(node, ast.Assert):
            yield f"{node.lineno}: assert, which python -O leaves out"
        elif isinstance(node, ast.Attribute) and node.attr in NEVER_NAMED:
            yield f"{node.lineno}: {node.attr}"
        elif isinstance(node, ast.Assign) and _turns_off_names(node):
            yield f"{node.lineno}: check_hostname is changed"


def _of_call(node: ast.Call, full: dict[str, str]) -> Iterator[str]:
    called = ast.unparse(node.func)
    first, dot, rest = called.partition(".")
    called = full.get(first, first) + dot + rest
    if called in NEVER_CALLED:
        yield f"{node.lineno}: {called}()"
    for keyword in node.keywords:
        is_true = not (isinstance(keyword.value, ast.Constant) and not keyword.value.value)
        if keyword.arg == "shell" and is_true:
            yield f"{node.lineno}: shell=True"
        if keyword.arg in {"verify", "verify_mode", "cert_reqs", "tls_insecure"}:
            yield f"{node.lineno}: {keyword.arg}="


def _turns_off_names(node: ast.Assign) -> bool:
    return any(
        isinstance(t, ast.Attribute) and t.attr in {"check_hostname", "verify_mode"} for t in node.targets
    )


def test_the_program_has_no_eval_no_pickle_no_shell_and_no_unverified_tls() -> None:
    found = [
        f"{path.relative_to(PACKAGE.parent)}:{fault}"
        for path in MODULES
        for fault in faults(path.read_text())
    ]
    assert found == []
    assert len(MODULES) > 200


@pytest.mark.parametrize(
    "source",
    [
        "eval('1')",
        "exec('x = 1')",
        "compile('1', 'x', 'eval')",
        "import pickle",
        "from pickle import loads",
        "import marshal as m",
        "import shelve",
        "import os\nos.system('ls')",
        "from os import popen\npopen('ls')",
        "import subprocess as s\ns.run('ls', shell=True)",
        "import subprocess\nshell = True\nsubprocess.run('ls', shell=shell)",
        "import yaml\nyaml.load('a: 1')",
        "import tempfile\ntempfile.mktemp()",
        "import ssl\nssl._create_unverified_context()",
        "import ssl\ncontext = ssl.create_default_context()\ncontext.check_hostname = False",
        "import ssl\ncontext.verify_mode = ssl.CERT_NONE",
        "client.tls_insecure_set(True)",
        "client.tls_set(cert_reqs=0)",
        "assert payload",
    ],
)
def test_each_of_them_would_be_found(source: str) -> None:
    assert list(faults(source)) != []


def test_what_is_compared_with_a_secret_goes_through_compare_digest() -> None:
    """No `==` or `!=` touches a signature: its time would tell how much of a guess is right."""
    tree = ast.parse((PACKAGE / "notify" / "codes.py").read_text())
    compared = [ast.unparse(node) for node in ast.walk(tree) if isinstance(node, ast.Compare)]
    assert compared
    assert not [text for text in compared if "signature" in text or "wanted" in text or "digest" in text]
    calls = [ast.unparse(node) for node in ast.walk(tree) if isinstance(node, ast.Call)]
    assert [text for text in calls if text.startswith("hmac.compare_digest(signature")]
