"""Whether the files of released versions fit the schemas of this one, by a validator that is not
ours (Debian python3-jsonschema). Exit code 77, skipped, where it is absent.

check_schemas.py ROOT OF THE TREE
"""
import json
import sys
from pathlib import Path

try:
    import jsonschema
except ImportError:
    print("SKIPPED: python3-jsonschema is not installed; run: bash datasets/setup.sh tests")
    sys.exit(77)

root = Path(sys.argv[1])
checked = 0
faults = []
for schema_name, pattern in (("cameras", "cameras.json"), ("calibration-record", "*.calibration.json")):
    schema = json.loads((root / "docs" / f"{schema_name}.schema.json").read_text())
    validator = jsonschema.Draft202012Validator(schema)
    for path in sorted((root / "tests" / "old_files").rglob(pattern)):
        checked += 1
        for error in validator.iter_errors(json.loads(path.read_text())):
            faults.append(f"{path.relative_to(root)}: {error.json_path}: {error.message}")
print("\n".join(faults) or f"{checked} files of released versions fit the schemas")
sys.exit(1 if faults or checked < 2 else 0)
