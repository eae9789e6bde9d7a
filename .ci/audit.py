"""Ask a public list of known holes about every installed package; say "not checked" where it can't be asked.

    python audit.py SITE_PACKAGES        # run by a Python that has pip-audit

Some mirrors of the package index hold no such list and answer as if there were no holes. So a version with known ones is asked
about first, and only an answer that knows of them counts.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

# Advisories CVE-2024-22195 and CVE-2024-34064, among others.
KNOWN = "jinja2==3.1.2"
SECONDS = 60


def asked(*what):
    """What pip-audit found, package by package; None where it can't tell."""
    command = [sys.executable, "-m", "pip_audit", "--format", "json", "--progress-spinner", "off", "--timeout", "5", *what]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=SECONDS)
        return json.loads(done.stdout)["dependencies"]
    except (OSError, ValueError, KeyError, subprocess.TimeoutExpired):
        return None


def main():
    with tempfile.TemporaryDirectory() as folder:
        known = Path(folder) / "known.txt"
        known.write_text(KNOWN + "\n")
        answer = asked("--requirement", str(known), "--no-deps", "--disable-pip")
    if not answer or not answer[0].get("vulns"):
        print(f"not checked: no list of known holes can be reached from here (nothing is told of {KNOWN}, which has some)")
        return 0
    found = asked("--path", sys.argv[1])
    if found is None:
        print("not checked: the list of known holes stopped answering")
        return 0
    for each in found:
        for hole in each.get("vulns", ()):
            print(
                f"{each['name']} {each['version']}: {hole['id']}, mended in {', '.join(hole['fix_versions']) or 'no version yet'}"
            )
    skipped = [each["name"] for each in found if "skip_reason" in each and each["name"] != "featurediff"]
    print(f"{len(found) - len(skipped)} packages checked" + (f", not checked: {', '.join(skipped)}" if skipped else ""))
    return int(any(each.get("vulns") for each in found))


if __name__ == "__main__":
    sys.exit(main())
