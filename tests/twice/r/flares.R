# Rscript flares.R FOLDER ANSWER: the decision on a hyperemic tooth alone, in a practice whose pulps flare before the seat.
args <- commandArgs(trailingOnly = TRUE)
for (part in c("common.R", "standardise.R", "honesty.R", "crowns.R", "teeth.R", "hyperemic.R")) source(part)
rules <- lapply(fromJSON(file.path(args[1], "settings.json")), as.numeric)
rules$max_step <- rules$max_step_per_100 / 100
rules$years <- sort(unique(c(0, 1, 2, 3, 5, 7, 10, 15, rules$horizon_years)))
read <- function(name) read_table(args[1], name)
answer <- hyperemic_tooth(read("crowns"), read("endo_courses"), read("tooth_followup"), read("patients"),
                          read("endo_details"), rules)
writeLines(toJSON(answer, digits = I(11), dataframe = "columns", na = "null", null = "null"), args[2])
