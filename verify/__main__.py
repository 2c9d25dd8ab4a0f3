"""The door: `keysback COMMAND …`.

Imports nothing heavy: the table below names each command's module, which builds its own parser.
A command module offers HELP (one line), parser() and run(args) → exit code.
"""

import sys

COMMANDS = {
    "open": ("cmd_open", "open a job: walk the close-out of a repair"),
    "resume": ("cmd_resume", "go on with a job where it was left"),
    "jobs": ("cmd_jobs", "list the jobs"),
    "show": ("cmd_show", "show what a job has proven, and how"),
    "note": ("cmd_note", "complaint, cause, correction: a text to paste"),
    "report": ("cmd_report", "the job as a document: customer, signer, workshop"),
    "judge": ("cmd_judge", "put checks to a recording of the car's own data"),
    "listen": ("cmd_listen", "put the checks by ear to a sound: idle and key-on"),
    "compare": ("cmd_compare", "put the same checks to before and after: what moved"),
    "checks": ("cmd_checks", "which checks there are, and how each one judges"),
    "ready": ("cmd_ready", "would an inspection turn the car away"),
    "code": ("cmd_code", "what fault codes say: meaning, class, what to verify"),
    "decode": ("cmd_decode", "read raw lines of a car's answers, as pasted"),
    "signoff": ("cmd_signoff", "a second person signs a job off, or sends it back"),
    "comeback": ("cmd_comeback", "the car came back: a linked job, the old one as its before"),
    "jobfile": ("cmd_jobfile", "a job as one sealed, signed file that anybody can check"),
    "audit": ("cmd_audit", "check a job file: seal, signatures, every verdict again"),
    "flows": ("cmd_flows", "list, prove, try or print flows; print their schema"),
    "backup": ("cmd_backup", "keep a copy of all jobs and their evidence in one file"),
    "restore": ("cmd_restore", "make a store out of a backup"),
    "forget": ("cmd_forget", "erase what jobs hold of a customer, for good"),
    "demo": ("cmd_demo", "play a whole close-out in an invented workshop"),
    "people": ("cmd_people", "who works here, and the keys they sign with"),
    "completion": ("cmd_completion", "print shell completion for bash, zsh or tcsh"),
}

USAGE = """usage: keysback COMMAND …

Walks the close-out of a car repair, takes evidence, computes verdicts with their
uncertainty, and says whether the keys can go back. It only reads from a vehicle.

{table}
Each command explains itself: keysback COMMAND --help
First time here: keysback demo
"""


def usage() -> str:
    rows = "".join(f"  {name:<12}{text}\n" for name, (_, text) in COMMANDS.items())
    return USAGE.format(table=rows)


def main(argv: "list[str] | None" = None) -> int:
    """Runs one command. Returns its exit code: 0 done, 2 bad input, 130 interrupted."""
    if argv is None:
        argv = sys.argv[1:]
        settle_process()
    words = argv
    if not words or words[0] in ("-h", "--help", "help"):
        sys.stdout.write(usage())
        return 0
    if words[0] in ("-V", "--version"):
        from verify import __version__

        sys.stdout.write(f"keysback {__version__}\n")
        return 0
    if words[0] not in COMMANDS:
        from verify.errors import render, unknown

        sys.stderr.write(render([unknown(words[0], COMMANDS, "command")]) + "\n")
        return 2
    return _run(words[0], words[1:])


def settle_process() -> None:
    """What may be set only where the whole process is one command, and before numpy is loaded.

    One thread for linear algebra: how many share a sum decides its last digits, and a verdict is
    no function of the number of cores; to start and to wake them costs more than they save here.
    And garbage is looked for seldom: what a command makes lives until it ends. Threads hand over
    ten times as often as usual: one that comes back from a sum of a millisecond must not wait for
    five until the other pauses.
    """
    import gc
    import os

    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    gc.set_threshold(100_000, 20, 20)
    sys.setswitchinterval(0.0005)


def _run(name: str, rest: "list[str]") -> int:
    import importlib

    module = importlib.import_module("verify.terminal." + COMMANDS[name][0])
    parser = module.parser()
    parser.prog = f"keysback {name}"
    args = parser.parse_args(rest)
    try:
        code: int = module.run(args)
        sys.stdout.flush()
    except KeyboardInterrupt:
        sys.stderr.write("\nInterrupted. Nothing that was accepted is lost.\n")
        return 130
    except BrokenPipeError:
        # The reader (less, head) has gone; say nothing, and keep Python from trying again at exit.
        sys.stderr.close()
        return 0
    except Exception as error:
        # Looked up only now: most runs find nothing wrong, and a list must be there at once.
        from verify.errors import UserError

        if not isinstance(error, UserError):
            raise
        sys.stdout.flush()
        sys.stderr.write(f"{error}\n")
        return 2
    return code


if __name__ == "__main__":
    sys.exit(main())
