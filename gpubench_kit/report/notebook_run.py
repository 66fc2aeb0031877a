"""A stage's notebook run, and the page that it becomes: one self-contained file."""

from __future__ import annotations

import json
import logging
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from html.parser import HTMLParser
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import papermill
from ipykernel.kernelspec import get_kernel_dict
from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager
from nbclient.exceptions import CellTimeoutError, DeadKernelError
from nbformat import NotebookNode
from nbformat.v4 import new_code_cell, new_notebook, new_output
from traitlets.config import Config

from gpubench_kit.files import assigned_names
from gpubench_kit.model import errors
from gpubench_kit.model.errors import Fault, GpubenchError, ReportError
from gpubench_kit.page.elements import MIME, Section
from gpubench_kit.processes import loaded_when_used, private_environment, safe_environment
from gpubench_kit.sheet.looks import COUNTED_BY_REPORT
from gpubench_kit.wording.catalogue import has, say

nbconvert = loaded_when_used("nbconvert")

_TEMPLATES = Path(__file__).parent / "templates"

#: Elements that fetch or run something, whatever their attributes.
_REFUSED_TAGS = frozenset(
    ["script", "iframe", "object", "embed", "link", "base", "form", "frame", "applet", "portal"]
)
_ADDRESSES = frozenset(
    ["src", "href", "xlink:href", "action", "data", "poster", "srcset", "formaction", "background"]
)
_RELATIVE = re.compile(r"(?![a-zA-Z][a-zA-Z0-9+.-]*:|//|\\)")
_FETCHING_STYLE = re.compile(r"url\((?!\s*['\"]?(?:#|data:font/woff2;))|@import|expression\(", re.IGNORECASE)
#: The page's own sign: a bar, a zero line and a dot.
ICON = (
    "data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 32 32'%3E%3Crect width='32' "
    "height='32' rx='6' fill='%23191a1c'/%3E%3Crect x='11' y='5' width='10' height='22' fill='%23585b60'/%3E"
    "%3Cpath d='M6 16H26' stroke='%23fff' stroke-width='4'/%3E%3Ccircle cx='19' cy='16' r='5' fill='%23dda434'/%3E"
    "%3C/svg%3E"
)
_LEFT_OVERS = (
    (re.compile(r"<[\w. ]+ at 0x[0-9a-fA-F]+>"), "the name of an object in memory"),
    (re.compile(r"Traceback \(most recent call last\)"), "an error message of the interpreter"),
    (re.compile(r"ipykernel_\d+|/tmp/\w+/\d+\.py"), "a path of the notebook's process"),
)


def load_exporter() -> None:
    """Load what makes pages ahead of its use: it takes a second, and while a notebook runs there is time."""
    _ = nbconvert.exporters


def page_of(notebook: NotebookNode, *, after_head: Sequence[Section] = (), language: str = "en") -> str:
    """Return the page made of a notebook's sections.

    Parameters
    ----------
    notebook : an executed notebook; outputs that are not sections of the kit are not printed
    after_head : further sections, put between the head of the page and the notebook's sections
    language : language of the page

    Returns
    -------
    str : HTML, the same bytes for the same sections

    Raises
    ------
    ReportError : the notebook shows no head of the page, or the page would reach outside itself
    """
    every = (output.get("data", {}) for cell in notebook.cells for output in cell.get("outputs", []))
    outputs = [data for data in every if MIME in data]
    head = [data for data in outputs if data[MIME].get("is_summary")]
    if len(head) != 1:
        problem = f"it shows {len(head)} heads of the page; exactly one is expected."
        raise ReportError(Fault("notebook", problem, "Show the summary in one cell."))
    body = [one._repr_mimebundle_() for one in after_head]
    body += [data for data in outputs if data is not head[0] and not data[MIME].get("style")]
    shown = [data for data in body if not data[MIME]["left_out"]]
    lacking = [f"{data[MIME]['title']} ({data[MIME]['left_out']})" for data in body if data[MIME]["left_out"]]
    about, navigation = head[0][MIME], []
    for name, title in ((data[MIME]["name"], data[MIME]["title"]) for data in shown):
        navigation.append({"name": name, "title": say(f"nav.{name}") if has(f"nav.{name}") else title})
    kick = about["head"].get("kick") or [""]
    page = {
        "language": language,
        "title": " – ".join(one for one in (about["title"], kick[0]) if one),
        "about": about["head"] | {"title": about["title"]},
        "icon": ICON,
        "style": "\n".join(data[MIME]["style"] for data in outputs if data[MIME].get("style")),
        "head": head[0]["text/html"],
        "contents": navigation,
        "words": {name: say(f"page.{name}") for name in ("skip", "sections", "foot")},
        "left_out": say("page.left_out", what="; ".join(lacking)) if lacking else "",
    }
    # Nothing but the sections can reach the page.
    kept = [new_output("display_data", {"text/html": data["text/html"]}) for data in shown]
    bare = new_notebook(cells=[new_code_cell("", outputs=kept, id="sections")])
    # The kit's own template; a reader's own settings are not looked at.
    exporter = nbconvert.exporters.TemplateExporter(
        template_name="report_page",
        template_file="index.html.j2",
        extra_template_basedirs=[str(_TEMPLATES)],
        file_extension=".html",
        exclude_input=True,
        exclude_input_prompt=True,
        exclude_output_prompt=True,
    )
    html, _ = exporter.from_notebook_node(bare, resources={"page": page})
    check_page(html)
    return html


def check_page(html: str) -> None:
    """Refuse a page that reaches outside itself, runs a script, or shows left-overs of its making.

    Parameters
    ----------
    html : the page

    Raises
    ------
    ReportError : with every fault found
    """
    reader = _PageReader()
    reader.feed(html)
    reader.close()
    if reader.faults:
        action = "This is an internal error: please report it."
        raise ReportError(Fault("page", problem, action) for problem in dict.fromkeys(reader.faults))


class _PageReader(HTMLParser):
    """Collects what a page must not hold."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.faults: list[str] = []
        self._in_style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._in_style = tag == "style"
        if tag in _REFUSED_TAGS and not (tag == "link" and dict(attrs) == {"rel": "icon", "href": ICON}):
            self.faults.append(f"it holds an element <{tag}>, which can fetch or run something.")
        for name, value in ((name, value or "") for name, value in attrs):
            if name.startswith("on"):
                self.faults.append(f"an element <{tag}> has the attribute '{name}', which runs a script.")
            if name in _ADDRESSES and not (_RELATIVE.match(value.strip()) or value.startswith("data:image/")):
                self.faults.append(f"an element <{tag}> refers to an outside address: {value[:80]}.")
            if name == "style" and _FETCHING_STYLE.search(value):
                self.faults.append(f"the style of an element <{tag}> fetches something.")

    def handle_endtag(self, tag: str) -> None:
        self._in_style = False

    def handle_data(self, data: str) -> None:
        if self._in_style and _FETCHING_STYLE.search(data):
            self.faults.append("its style sheet fetches something.")
        for pattern, what in _LEFT_OVERS:
            if found := pattern.search(data):
                self.faults.append(f"it shows {what}: {found[0][:80]}.")


# A process that ended is a fault of its own here, or was ended by a stop: the client's line about it says no more.
logging.getLogger("papermill").addFilter(lambda record: "Kernel died" not in record.getMessage())

#: Seconds that one cell may take; a review of many hundred runs stays far below.
CELL_TIMEOUT_S = 1800

#: Nothing of a reader's own set-up reaches the notebook, and nothing is left behind on the machine.
_KERNEL_OPTIONS = [
    # A notebook that was stopped ends without a word: every process is interrupted before it is ended, the one
    # whose notebook is done too, and now and then it had time to call that an error.
    "--log-level=CRITICAL",
    "--HistoryManager.enabled=False",
    "--InteractiveShellApp.ignore_cwd=True",
    "--InteractiveShellApp.exec_files=[]",
    # Most objects of a report live until its end: to look for garbage more rarely takes a twentieth off its time.
    "--InteractiveShellApp.exec_lines=['import gc', 'gc.set_threshold(50_000, 20, 50)', 'del gc']",
    "--InteractiveShellApp.exec_PYTHONSTARTUP=False",
]

#: The kit solves no large system of equations. Threads that wait for one in a loop take the cores from the
#: processes that draw: measured on two busy cores, a solution of 0.04 s took 1.7 s.
_ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
#: The pool of its own that pyarrow takes memory from keeps what was freed: 35 MB of 243 for a review of 3,000 runs.
_ENVIRONMENT = {**_ONE_THREAD, "ARROW_DEFAULT_MEMORY_POOL": "system", COUNTED_BY_REPORT: "1"}
#: The variable by which processes learn how many cores they may use.
_CORES = "LOKY_MAX_CPU_COUNT"


def run_notebook(
    notebook: NotebookNode,
    parameters: Mapping[str, Any],
    *,
    name: str = "notebook",
    cell_timeout_s: int = CELL_TIMEOUT_S,
    on_cell: Callable[[int], None] | None = None,
    cores: int | None = None,
) -> NotebookNode:
    """Run a notebook from top to bottom and return it with its outputs.

    Parameters
    ----------
    notebook : the notebook; it is not changed
    parameters : values for its ``parameters`` cell; only what JSON can hold without change
    name : what messages call the notebook
    cell_timeout_s : longest time one cell may take [s]
    on_cell : called with the number of cells done, after each
    cores : cores that it may use, where several notebooks run at a time; default all of the machine

    Returns
    -------
    NotebookNode with outputs

    Raises
    ------
    GpubenchError : a cell raised one; its class and message are those of the cell
    ReportError : a parameter is unknown or cannot be passed on, or the notebook failed, stopped early,
        hung or lost its process

    Notes
    -----
    The notebook runs in the interpreter that runs the kit, whatever kernels are installed, over an
    encrypted connection. Running a notebook runs any code in it: only run notebooks that you trust.
    """
    where = f"notebook '{name}'"
    _check_parameters(notebook, parameters, where)
    options: dict[str, Any] = {
        "kernel_name": "python3", "language": "python", "progress_bar": False, "log_output": False,
        "execution_timeout": cell_timeout_s, "shutdown_kernel": "immediate",
        "config": Config(KernelManager={"transport_encryption": "auto"}),
    }  # fmt: skip
    if on_cell is not None:
        options["on_cell_executed"] = lambda cell, cell_index, execute_reply: on_cell(cell_index + 1)
    try:
        with (
            TemporaryDirectory(prefix="gpubench-kit-", ignore_cleanup_errors=True) as private,
            _kernel_with(cores, Path(private)) as kernel,
        ):
            options["kernel_manager_class"] = kernel
            executed = _execute_twice_if_needed(notebook, dict(parameters), options)
    except papermill.PapermillExecutionError as failure:
        raise _cell_failure(failure, where) from None
    except CellTimeoutError:
        problem = f"a cell took longer than {cell_timeout_s} s and was stopped."
        raise ReportError(Fault(where, problem, "Is a log on a drive that went away?")) from None
    except DeadKernelError:
        problem = "its process ended before it was done, probably because memory ran out."
        action = "Close other programs, or report fewer reviews at a time."
        raise ReportError(Fault(where, problem, action)) from None
    # Leaving Python in a cell skips the rest without an error.
    code = [cell for cell in executed.cells if cell.cell_type == "code" and cell.source.strip()]
    skipped = [number for number, cell in enumerate(code, start=1) if cell.execution_count is None]
    if skipped:
        problem = f"it ended before its last cell (first cell not run: {skipped[0]} of {len(code)})."
        raise ReportError(Fault(where, problem, "Remove what leaves Python in a cell."))
    return executed


class _OwnKernel(AsyncKernelManager):
    """Starts the interpreter that runs the kit; installed kernels are never looked at."""

    _own_spec: KernelSpec
    _made: list[_OwnKernel]

    @property
    def kernel_spec(self) -> KernelSpec:
        """Description of the kernel to start; what asks for it is about to start one."""
        if self not in self._made:
            self._made.append(self)
        return self._own_spec

    def end(self) -> None:
        """End its process where that still runs."""
        process = getattr(self.provisioner, "process", None)
        if process is not None and process.poll() is None:
            process.kill()
            process.wait()


@contextmanager
def _kernel_with(cores: int | None, private: Path) -> Iterator[type[_OwnKernel]]:
    """Give the way to start the kernel; a number of cores is told by the variable that joblib looks at."""
    environment = {**_ENVIRONMENT, **safe_environment(), **private_environment(private)}
    if cores is not None:
        environment[_CORES] = str(cores)
    spec = KernelSpec(**get_kernel_dict(extra_arguments=_KERNEL_OPTIONS), env=environment)
    made: list[_OwnKernel] = []
    try:
        yield type("_KernelOfOneRun", (_OwnKernel,), {"_own_spec": spec, "_made": made})
    finally:
        # The client ends it, but not where it is stopped while the process starts: that one would go on, and say
        # aloud that its private folder is gone.
        for kernel in made:
            kernel.end()


def _execute_twice_if_needed(notebook: NotebookNode, parameters: dict, options: dict) -> NotebookNode:
    """Execute in memory; once more where the process did not start: ports are chosen before they are bound."""
    try:
        return papermill.execute_notebook(notebook, None, parameters, **options)
    except RuntimeError as failure:
        if isinstance(failure, DeadKernelError) or "before replying" not in str(failure):
            raise
    return papermill.execute_notebook(notebook, None, parameters, **options)


def _check_parameters(notebook: NotebookNode, parameters: Mapping[str, Any], where: str) -> None:
    """Raise where the notebook does not set a parameter, or a value would silently arrive as something else."""
    known = parameter_names(notebook)
    names = ", ".join(f"'{one}'" for one in known) or "none"
    faults = [
        Fault(where, f"the notebook has no parameter '{one}' (parameters: {names}).", "Correct the name.")
        for one in parameters
        if one not in known
    ]
    action = "Use text, numbers, true or false, lists, or mappings with text as keys."
    for one, value in parameters.items():
        if not _survives_json(value):
            problem = f"parameter '{one}' is a {type(value).__name__}, which cannot be passed on without change."
            faults.append(Fault(where, problem, action))
    if faults:
        raise ReportError(faults)


def parameter_names(notebook: NotebookNode) -> list[str]:
    """Return the names set in the cell tagged ``parameters``, in order."""
    cells = [cell for cell in notebook.cells if "parameters" in cell.metadata.get("tags", [])]
    return [name for cell in cells for name in assigned_names(cell.source)]


def _survives_json(value: Any) -> bool:
    """Return whether a value comes back from JSON equal and of the same type."""
    try:
        back = json.loads(json.dumps(value))
    except (TypeError, ValueError):
        return False
    both_nan = value != value and back != back
    return type(back) is type(value) and (back == value or both_nan)


def _cell_failure(failure: papermill.PapermillExecutionError, where: str) -> GpubenchError:
    """Return what the caller should see in place of the failure of a cell."""
    kind = getattr(errors, failure.ename, None)
    if isinstance(kind, type) and issubclass(kind, GpubenchError):
        return kind(failure.evalue.splitlines())
    last = f"{failure.ename}: {failure.evalue}".splitlines()[0] if failure.evalue else failure.ename
    action = "This is an internal error: please report it with this line."
    unexpected = ReportError(Fault(f"{where}, cell {failure.exec_count}", f"unexpected error: {last}", action))
    unexpected.add_note("\n".join(failure.traceback))
    return unexpected
