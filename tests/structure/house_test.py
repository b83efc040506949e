"""The rules of the house that no compiler knows: who may call whom, what never stands in the sources, how large they grow.

    python3 tests/structure/house_test.py [-v] [House.TEST]
"""

import pathlib
import re
import sys
import unittest

sys.dont_write_bytecode = True
ROOT = pathlib.Path(__file__).resolve().parents[2]

# Each room may include from the rooms named here and from what those may; CMakeLists.txt and the READMEs say the same.
ROOMS = {
    "daemon/core": [],
    "daemon/protocol": ["daemon/core"],
    "daemon/engine": ["daemon/protocol"],
    "daemon/wire": ["daemon/core"],
    "daemon/channel": ["daemon/protocol", "daemon/wire"],
    "daemon/ledger": ["daemon/core"],
    "daemon/record": ["daemon/engine", "daemon/ledger"],
    "daemon/control": ["daemon/core"],
    "daemon/results": ["daemon/ledger", "daemon/protocol"],
    "daemon/bench": ["daemon/record", "daemon/channel", "daemon/control"],
    "sim/cell": ["daemon/core"],
    "sim/sets": ["daemon/protocol", "sim/cell"],
    "sim/stage": ["sim/cell"],
    "sim/channel": ["daemon/channel", "sim/stage"],
    "sim/rehearsal": ["daemon/record", "sim/sets", "sim/stage"],
    "sim/instrument": ["daemon/wire", "sim/sets", "sim/stage"],
    "daemon/main": ["daemon/bench", "daemon/results", "sim/channel", "sim/instrument", "sim/rehearsal",
                    "sim/sets"],
}

# Which rooms may include a library's headers.
LIBRARIES = {
    r"boost/asio": {"daemon/channel", "daemon/control", "daemon/bench", "daemon/main"},
    r"sqlite3\.h": {"daemon/ledger"},
    r"toml\+\+": {"daemon/protocol"},
    r"sodium": {"daemon/core"},
    r"CLI/": {"daemon/main"},
    r"spdlog/": {"daemon/bench", "daemon/main"},
    # The engine is a pure fold and the model is the same to the bit on every processor: no clock, no thread, no libm.
    r"(chrono|thread|mutex|atomic|condition_variable|future|time\.h|unistd\.h)$":
        set(ROOMS) - {"daemon/engine", "daemon/protocol", "daemon/wire", "sim/cell", "sim/stage"} | {"daemon/protocol"},
    r"(iostream|fstream|iomanip|random|regex|locale|clocale)$": set(),
    r"(cmath|math\.h)$": set(ROOMS) - {"daemon/engine"},
}

# A folder that a microcontroller takes over as it stands: nothing but these of the standard library.
FREESTANDING = {"daemon/wire/board": {"cstddef", "cstdint"}}

# What never stands in daemon/ or sim/, why, and the folders where it may.
BANNED = [
    (r"\b(?:std::)?(?:stod|stof|stold|strtod|strtof|strtold|atof|sscanf|setlocale)\s*\(", "looks at the locale", ()),
    (r"%[-+ #0-9.*]*l?[fFeEgG]\b.*\"", "prints a number through the locale", ()),
    (r"\bstd::locale\b", "looks at the locale", ()),
    (r"\b(?:this_thread::sleep_\w+|usleep|nanosleep)\s*\(", "sleeps where a timer belongs", ()),
    (r"\b(?:s?rand|random)\s*\(", "is not the same everywhere", ()),
    (r"\bsystem_clock::now\b", "the wall clock is a label beside run time; the shell reads it",
     ("daemon/bench/", "daemon/ledger/", "daemon/main/")),
    (r"\bstd::c(?:out|err|log|in)\b", "only the programs speak to a terminal", ("daemon/main/",)),
    (r"\busing namespace std\b(?!::)", "hides where names come from", ()),
    (r"\b(?:TODO|FIXME|XXX|HACK)\b", "is an open end", ()),
    (r"\bNOLINT\b(?!\()", "silences every check; name the one", ()),
]

# The model has its own exp and log: libm's differ by processor.
OWN_ELEMENTARY = re.compile(r"\bstd::(?:exp|exp2|expm1|log|log2|log10|log1p|pow|sin|cos|tan|tanh|sinh|cosh|asinh)\s*\(")

TOP_LEVEL = {"CMakeLists.txt", "README.md", "DEVELOPERS.md", "daemon", "protocols", "sim", "tests", "config"}
FUNCTION_LINES = 70
FILE_LINES = 600


def sources(*folders):
    for folder in folders:
        for path in sorted((ROOT / folder).rglob("*")):
            if path.suffix in (".cpp", ".hpp", ".h"):
                yield path


def name_of(path):
    return path.relative_to(ROOT).as_posix()


def room_of(name):
    return "/".join(name.split("/")[:2])


TOKEN = re.compile(
    r'R"(?P<mark>[^()\\\s]{0,16})\(.*?\)(?P=mark)"'  # raw string
    r'|"(?:\\.|[^"\\\n])*"'
    r"|(?<![0-9a-zA-Z_])'(?:\\.|[^'\\\n])+'"  # a character, not a digit separator
    r"|//[^\n]*|/\*.*?\*/",
    re.S)


def plain(text):
    """The text with comments, strings and characters blanked out; line numbers stay."""
    return TOKEN.sub(lambda match: re.sub(r"[^\n]", " ", match.group(0)), text)


def reach(room):
    seen, todo = set(), [room]
    while todo:
        for below in ROOMS[todo.pop()]:
            if below not in seen:
                seen.add(below)
                todo.append(below)
    return seen


def functions(text):
    """(first line, last line) of each function's body, lambdas inside counted with it."""
    code = plain(text)
    code = re.sub(r"^[ \t]*#(?:[^\n]*\\\n)*[^\n]*", lambda m: re.sub(r"[^\n]", " ", m.group(0)), code, flags=re.M)
    stack, head, line, found = [], "", 1, []
    for c in code:
        line += c == "\n"
        if c == "{":
            inside = any(kind == "function" for kind, _, _ in stack)
            is_type = re.search(r"\b(namespace|class|struct|enum|union|extern)\b[^()]*$", head)
            is_member = re.search(r"\)\s*(noexcept\s*)?:(?!:).*[\w>]$", head, re.S)  # a_{a} of a constructor
            is_body = not is_type and not is_member and re.search(r"\)[^=]*$", head)
            stack.append(("function" if is_body and not inside else "member" if is_member else "block", line, head))
            head = ""
        elif c == "}":
            kind, begin, before = stack.pop()
            if kind == "function":
                found.append((begin, line))
            head = before + " 0" if kind == "member" else ""
        elif c == ";":
            head = ""
        else:
            head += c
    return found


def switches(text):
    """(line of `default:`, labels of its switch) for each switch that has one."""
    code = plain(text)
    found, stack = [], []
    token = re.compile(r"switch\s*\(|case\b([^;{}?]*?):|default\s*:|[{}]")
    waiting = False
    for match in re.finditer(token, code.replace("::", "\1\1")):
        word = match.group(0)
        if word.startswith("switch"):
            waiting = True
        elif word == "{":
            stack.append({"switch": waiting, "labels": [], "default": None})
            waiting = False
        elif word == "}":
            block = stack.pop()
            if block["switch"] and block["default"]:
                found.append((block["default"], block["labels"]))
        elif word.startswith(("case", "default")):
            holder = next(block for block in reversed(stack) if block["switch"])
            if word.startswith("case"):
                holder["labels"].append(match.group(1).replace("\1\1", "::").strip())
            else:
                holder["default"] = code.count("\n", 0, match.start()) + 1
    return found


class House(unittest.TestCase):
    maxDiff = None

    def none(self, faults):
        self.assertFalse(faults, "\n" + "\n".join(faults))

    def test_rooms_call_only_downward(self):
        faults = []
        for path in sources("daemon", "sim"):
            name, room = name_of(path), room_of(name_of(path))
            self.assertIn(room, ROOMS, f"{name}: this room is not in the list of rooms")
            for included in re.findall(r'^\s*#\s*include\s+"([^"]+)"', path.read_text(), re.M):
                if not (ROOT / included).is_file():
                    faults.append(f'{name}: includes "{included}", which is not there; paths are from the root')
                elif room_of(included) != room and room_of(included) not in reach(room):
                    faults.append(f"{name}: {room} may not call {room_of(included)} ({included})")
        self.none(faults)

    def test_the_build_links_the_same_rooms(self):
        text = (ROOT / "CMakeLists.txt").read_text()
        folders, wanted = {}, {}
        for name, folder, depends in re.findall(r"^room\((\w+)\s+DIR\s+(\S+)\s+DEPENDS\s+([^)]*)\)", text, re.M):
            folders[name], wanted[folder] = folder, depends.split()
        for folder, depends in wanted.items():
            self.assertIn(folder, ROOMS, f"CMakeLists.txt: {folder} is not in the list of rooms")
            self.assertEqual(sorted(folders[d] for d in depends if d in folders), sorted(ROOMS[folder]),
                             f"CMakeLists.txt: what {folder} links")
        self.assertEqual(sorted(wanted), sorted(set(ROOMS) - {"daemon/main"}))

    def test_libraries_stay_in_their_rooms(self):
        faults = []
        for path in sources("daemon", "sim"):
            name = name_of(path)
            for included in re.findall(r"^\s*#\s*include\s+<([^>]+)>", path.read_text(), re.M):
                for pattern, rooms in LIBRARIES.items():
                    if re.match(pattern, included) and room_of(name) not in rooms:
                        faults.append(f"{name}: <{included}> has no place in {room_of(name)}")
        self.none(faults)

    def test_what_goes_into_a_microcontroller_stands_alone(self):
        faults = []
        for folder, allowed in FREESTANDING.items():
            for path in sources(folder):
                for quote, included in re.findall(r'^\s*#\s*include\s+(["<])([^">]+)[">]', path.read_text(), re.M):
                    if included not in allowed and not (quote == '"' and included.startswith(folder + "/")):
                        faults.append(f"{name_of(path)}: includes {included}, which a microcontroller may not have")
        self.none(faults)

    def test_nothing_banned_is_called(self):
        faults = []
        for path in sources("daemon", "sim"):
            name, text = name_of(path), path.read_text()
            code, whole = plain(text).split("\n"), text.split("\n")
            for number, (line, original) in enumerate(zip(code, whole), 1):
                for pattern, why, allowed in BANNED:
                    in_text = pattern.startswith(("%", r"\b(?:TODO", r"\bNOLINT"))
                    if re.search(pattern, original if in_text else line) and not name.startswith(allowed or "\0"):
                        faults.append(f"{name}:{number}: {original.strip()}: {why}")
        self.none(faults)

    def test_a_property_is_looked_at(self):
        # rc::check alone only prints and returns false.
        for path in sorted((ROOT / "tests").rglob("*.cpp")):
            for line in path.read_text().splitlines():
                if "rc::check(" in line:
                    self.assertRegex(line, r"(EXPECT|ASSERT)_TRUE\(rc::check\(", f"{path}: call slowfilm::test::holds")

    def test_the_model_calls_no_libm(self):
        faults = []
        for path in sources("sim/cell", "daemon/engine"):
            for number, line in enumerate(plain(path.read_text()).split("\n"), 1):
                if OWN_ELEMENTARY.search(line):
                    faults.append(f"{name_of(path)}:{number}: {line.strip()}: libm differs by processor")
        self.none(faults)

    def test_a_switch_over_an_enum_names_every_case(self):
        faults = []
        for path in sources("daemon", "sim"):
            for line, labels in switches(path.read_text()):
                if any("::" in label for label in labels):
                    faults.append(f"{name_of(path)}:{line}: default: in a switch over {', '.join(labels[:3])} ...")
        self.none(faults)

    def test_functions_fit_on_a_page(self):
        faults = []
        for path in sources("daemon", "sim"):
            for first, last in functions(path.read_text()):
                if last - first + 1 > FUNCTION_LINES:
                    faults.append(f"{name_of(path)}:{first}: {last - first + 1} lines; at most {FUNCTION_LINES}")
        self.none(faults)

    def test_files_stay_small(self):
        self.none([f"{name_of(path)}: {lines} lines; at most {FILE_LINES}"
                   for path in sources("daemon", "sim")
                   if (lines := path.read_text().count("\n")) > FILE_LINES])

    def test_headers_are_guarded_and_sources_begin_with_their_own(self):
        faults = []
        for path in sources("daemon", "sim"):
            text, name = path.read_text(), name_of(path)
            if path.suffix != ".cpp":
                if not re.search(r"^#pragma once$", text, re.M):
                    faults.append(f"{name}: has no #pragma once")
                if re.search(r"^\s*using namespace(?! slowfilm)", plain(text), re.M):
                    faults.append(f"{name}: a header opens a namespace for all that include it")
            elif path.with_suffix(".hpp").is_file():
                first = re.search(r'^#include\s+(\S+)', text, re.M)
                own = name_of(path.with_suffix(".hpp"))
                if first is None or first.group(1) != f'"{own}"':
                    faults.append(f'{name}: its first include is not "{own}", so that header is not known to stand alone')
        self.none(faults)

    def test_nothing_else_stands_at_the_top(self):
        there = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
        self.assertEqual(there - TOP_LEVEL, set(), "what stands at the top level and should not")

    def test_every_room_says_in_three_lines_what_it_is(self):
        faults = []
        for folder in [*ROOMS, "sim/cells", "tests", "config"]:
            path = ROOT / folder / "README.md"
            if not path.parent.is_dir():
                continue
            if not path.is_file():
                faults.append(f"{folder}: has no README.md")
                continue
            lines = [line for line in path.read_text().split("\n") if line]
            starts = [f"# {folder}", "- Here: ", "- Comes in: ", "- Calls: "]
            if len(lines) != 4 or not all(line.startswith(start) for line, start in zip(lines, starts)):
                faults.append(f"{folder}/README.md: is a heading and one line each for Here, Comes in and Calls")
            elif folder in ROOMS:
                called = set(re.findall(r"`((?:daemon|sim)/\w+)`", lines[3]))
                if called != set(ROOMS[folder]):
                    faults.append(f"{folder}/README.md: calls {sorted(called)}, but the list says {ROOMS[folder]}")
        self.none(faults)


class Instruments(unittest.TestCase):
    """The checks above see what they are meant to see."""

    def test_functions_are_measured(self):
        body = "\n".join(["    f();"] * 5)
        text = f"namespace a {{\nstruct S {{\n int x{{0}};\n}};\nint g(int a) {{\n{body}\n}}\nauto t = S{{1}};\n}}\n"
        self.assertEqual(functions(text), [(5, 11)])
        self.assertEqual(functions('int f() {\n auto g = [] {\n };\n return "}"[0] + \'{\';\n}\n'), [(1, 5)])
        self.assertEqual(functions("S::S(int a)\n    : a_{a}, b_{1} {\n}\n")[-1][1], 3)
        self.assertEqual(functions("const int n = 1'000;\nint f() {\n return 2'000;\n}\n"), [(2, 4)])

    def test_switches_are_read(self):
        text = "switch (a) {\ncase E::x: return \"case\";\ndefault: break;\n}\nswitch (c) {\ncase '{': f();\ncase ':':\ndefault: g();\n}\n"
        self.assertEqual(switches(text), [(3, ["E::x"]), (8, ["", ""])])

    def test_comments_and_strings_are_not_code(self):
        self.assertEqual(plain('a; // std::stod(\n"rand(" /* \n */ b').split(), ["a;", "b"])
        self.assertEqual(plain('R"(x " y)" z').split(), ["z"])

    def test_banned_words_are_seen(self):
        def banned(line):
            return any(re.search(pattern, line) for pattern, _, _ in BANNED)
        for line in ("std::stod(text)", "x = atof (y)", 'printf("%.3f", x)', "std::this_thread::sleep_for(1ms)",
                     "rand()", "std::chrono::system_clock::now()", "std::cout << 1", "// TODO: later", "// NOLINT"):
            self.assertTrue(banned(line), line)
        for line in ("operand(x)", "print_fixed(x, 3)", 'f("100 % good")', "std::to_chars(a, b, x)"):
            self.assertFalse(banned(line), line)


if __name__ == "__main__":
    unittest.main()
