"""What an independent validator (python3-jsonschema) says of every protocol in a folder: {file: "" or why not}.

    python3 schema.py SCHEMA FOLDER
"""
import json
import pathlib
import sys
import tomllib

import jsonschema


def verdict(validator, path):
    try:
        text = path.read_bytes().decode("utf-8")
        protocol = tomllib.loads(text)
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        return f"not TOML: {error}"
    try:
        found = next(validator.iter_errors(protocol), None)
    except RecursionError:
        return "nested too deep"
    return "" if found is None else f"{list(found.absolute_path)}: {found.message}"[:400]


def main():
    schema = json.loads(pathlib.Path(sys.argv[1]).read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    files = sorted(pathlib.Path(sys.argv[2]).glob("*.toml"))
    print(json.dumps({path.name: verdict(validator, path) for path in files}))


main()
