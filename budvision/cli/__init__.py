"""The terminal: one module a group of commands, heavy imports inside the commands.

advise        `budvision advise`: nodes to retain from counts, and the nodes of a normal year
archive       `budvision archive`: export, verify and import the photographs, calls and models
backup        `budvision backup`, `restore` and `move`: a season in another place
bud           `budvision bud`: what was ever kept of one bud
calls         `budvision calls` and `budvision results`: calls in and out as a table, and the
              answer
crop          `budvision crop` and `budvision cold`: crop-load work of the season, and a station's
              record
demo          `budvision demo`: the whole job on the sample photographs
helped        How help is written: plain words, whole sentences, examples that can be copied
intake        `budvision intake` and `intake-undo`: photographs come in, and leave their buds
              again
jobs          `budvision jobs`: long work in the season's one queue, asked for by page or here
main          The `budvision` command: collects the groups, and turns errors into text and exit
              codes
models        `budvision models`: list, show, verify and evaluate the models at hand
paper         `budvision paper`: photo cards, walking sheet, cane tags and bench tally as PDFs
plan          `budvision plan`: how many canes and nodes, which vines, and what the sample can
              tell
progress      A progress bar on stderr for anything that takes more than a second
propose       `budvision propose`: photographs in, one proposal a photograph out; needs no season
              folder
recipes       `budvision recipes`: files for a server in containers and for a batch system
report        `budvision report`: grower sheets, the program summary and the appendix, as PDF
season        `budvision init`, `status`, `check`, `settings` and `block`: the season itself
season_after  `budvision after`: counts, weights and harvest of the season after the cold
serve         `budvision serve` and `budvision people`: the pages, and who may use them
station       `budvision station`: a weather station's temperatures, kept beside the sampling
              dates
tally         `budvision tally`: a paper tally in, mortality, band and nodes to retain out
terminal      What the season's commands share: the way in, errors as JSON, talk on stderr
train         `budvision train` and what follows it under `budvision models`: compare, promote, go
              back
watch         `budvision sort` and `budvision watch`: photographs that came without the bench page
wood          `budvision wood`: cuts into canes, cordons and trunks, beside the buds
winters       `budvision models winters`: whole winters played, with what errors and being led do to
              them
"""
