"""From files of any form to typed rows: sources, doubts that are asked about, proposals, rows set aside, worksheets."""
