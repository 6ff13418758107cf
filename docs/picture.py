"""Draws docs/result.svg from the program's own output: python3 docs/picture.py"""
import html
import pathlib
import subprocess
import tempfile

ROOT = pathlib.Path(__file__).resolve().parent.parent
with tempfile.TemporaryDirectory() as folder:
    command = ["cargo", "run", "--release", "--quiet", "--", "characterize", "--seed", "1"]
    command += ["--store", str(pathlib.Path(folder) / "x.sqlite")]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
lines = done.stdout.rstrip().splitlines()
width = max(map(len, lines)) * 7.3 + 40
height = len(lines) * 17 + 34
rows = "".join(
    f'<text x="20" y="{30 + 17 * n}" xml:space="preserve">{html.escape(line)}</text>\n'
    for n, line in enumerate(lines)
)
(ROOT / "docs" / "result.svg").write_text(
    f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height}" '
    f'font-family="monospace" font-size="12">\n'
    f'<rect width="100%" height="100%" fill="#fbfaf5" stroke="#b9b4a4"/>\n'
    f'<g fill="#26241f">\n{rows}</g>\n</svg>\n'
)
