"""What pages, JSON, print, messages and the terminal all show: frozen records with SI figures and their texts.

`show` turns numbers into words, `words` holds the words and shapes of calls, `sheet` the morning sheet, `joint` the
page of one joint, `chart` its drawing, `schedule` the list of joints and the outcome of an import. `files` and
`terminal` write a sheet as a table and as text. `desk` is where pages, JSON and commands ask for all of them.
"""
