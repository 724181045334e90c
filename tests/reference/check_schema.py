"""Checks results against the schema that the program prints, with jsonschema (https://pypi.org/project/jsonschema).

check_schema.py SCHEMA < CASES

SCHEMA is a file with the output of `feelgauge schema`. CASES, on standard input, is a JSON list of
{"what": words, "kind": name under $defs, "result": any, "valid": bool}. A result must be valid, or must not be, both
against the definition of its kind and against the whole schema. Says what is wrong and exits with 1, or prints how many
were checked.
"""

import json
import sys

from jsonschema import Draft202012Validator


def faults(schema: dict, case: dict) -> list[str]:
    """What does not fit in one case."""
    whole = Draft202012Validator(schema)
    kind = Draft202012Validator({"$ref": f"#/$defs/{case['kind']}", "$defs": schema["$defs"]})
    found = []
    for name, validator in [("whole schema", whole), (case["kind"], kind)]:
        errors = [f"{e.json_path}: {e.message[:200]}" for e in validator.iter_errors(case["result"])]
        if case["valid"] and errors:
            found.append(f"{case['what']}: not valid as {name}: {errors[:5]}")
        if not case["valid"] and not errors:
            found.append(f"{case['what']}: valid as {name}, and must not be")
    return found


def main() -> int:
    with open(sys.argv[1], encoding="utf-8") as file:
        schema = json.load(file)
    Draft202012Validator.check_schema(schema)
    cases = json.load(sys.stdin)
    found = [fault for case in cases for fault in faults(schema, case)]
    for fault in found:
        print(fault, file=sys.stderr)
    if not found:
        print(len(cases))
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
