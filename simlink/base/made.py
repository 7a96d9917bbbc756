"""What tells a file that simlink made from every other: what it holds, not how it is called.

Each kind has a mark where its readers take no notice of it: in metadata, in a comment, in the
cautions that end every result. A CSV table has no such place and is known by its columns.
"""

from __future__ import annotations

import re
from pathlib import Path

from simlink.base.cautions import CAUTIONS
from simlink.base.version import __version__

#: Who made a file, for kinds that have a place to say so.
MAKER = f"simlink {__version__}"
#: The same as a first line of TOML, and of CSV that may begin with comments.
COMMENT = f"# Made by {MAKER}"
#: The same for the metadata of Parquet.
PARQUET = {b"made_by": MAKER.encode()}

#: How much of either end of a file is looked at, in bytes.
_END = 2**16
#: The first words of the cautions, however lines are broken.
_CAUTIONS = rb"\s+".join(map(re.escape, CAUTIONS.partition(".")[0].encode().split()))
_MADE = [
    re.compile(pattern, re.DOTALL)
    for pattern in (
        # SVG, PNG, PDF
        rb"\A<\?xml.*<dc:title>simlink \d",
        rb"\A\x89PNG.*tEXtSoftware\0simlink \d",
        rb"\A%PDF-.*/Creator \(simlink \d",
        # JUnit XML, a waveform dump, Parquet, finished trials
        rb"\A<\?xml [^>]*>\s*<!-- Made by simlink \d",
        rb"\A\$version simlink \d",
        rb"\APAR1.*made_by..simlink \d",
        rb"\Asimlink finished trials \d",
        # scenarios, recordings, JSON Schema
        rb"\A# (Made|Resolved) by simlink \d",
        rb'\A\{\s*"\$schema": "[^"]*",\s*"\$comment": "Made by simlink \d',
        # JSON, text, and recordings, which have the cautions
        rb'\A\{.*"cautions": "' + _CAUTIONS + rb'[^"]*"\s*\}\s*\Z',
        rb"Cautions: " + _CAUTIONS + rb'[^"{}]*\Z',
        rb"\A(# [^\n]*\n)*# caution: " + _CAUTIONS,
        # tables: timing, in three kinds; measured; samples; sizing; exposure; vary
        rb"\Asymbol,meaning,conditions,min,typ,max,seen from,seen to,unit\n",
        rb"\A\| symbol \| meaning \| conditions \| min \| typ \| max \|",
        rb"\A\\begin\{tabular\}\{l+r+l\}\n\\hline\nsymbol & meaning & conditions & min & typ &",
        rb"\Asymbol,meaning,count,measured_min_ns,",
        rb"\Aconversion,t_sample_fs,code,held,place[,\n]",
        rb"\A[\w.]+,value,low,high,count,of,independent,looks,verdict\n",
        rb"\A(slew,upsets_for,)?offset,hit,this,this_told[,\n]",
        rb"\A[^\n]*,(\w+),\1_low,\1_high,\1_count,\1_of[,\n]",
    )
]


def made_here(path: Path) -> bool:
    """Tell whether simlink made a file; an empty one holds nothing of anybody's.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    with path.open("rb") as file:
        content = file.read(_END)
        if not content:
            return True
        left = file.seek(0, 2) - len(content)
        file.seek(-min(left, _END), 2)
        content += file.read()
    return any(pattern.search(content) for pattern in _MADE)
