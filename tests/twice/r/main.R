# Rscript main.R FOLDER ANSWER: every figure of the comparisons of one practice, from the tables that it stores.
args <- commandArgs(trailingOnly = TRUE)
for (part in c("common.R", "standardise.R", "honesty.R", "crowns.R", "teeth.R", "hyperemic.R", "age.R")) source(part)
told <- fromJSON(file.path(args[1], "settings.json"))
rules <- lapply(told[setdiff(names(told), "data_cutoff")], as.numeric)
rules$data_cutoff <- as.Date(told$data_cutoff)
rules$max_step <- rules$max_step_per_100 / 100
rules$years <- sort(unique(c(0, 1, 2, 3, 5, 7, 10, 15, rules$horizon_years)))
read <- function(name) read_table(args[1], name)
crowns <- read("crowns"); patients <- read("patients"); courses <- read("endo_courses"); teeth <- read("tooth_followup")
own <- own_crowns(crowns)
after <- function(outcome) after_root_canal(own_courses(courses), teeth, crowns, patients, outcome, rules)
answer <- list(
  crown_longevity_by_endo_timing = main_comparison(own, patients, rules),
  tooth_survival_by_crown_after_endo = after("tooth_survival"),
  endo_free_of_intervention_by_crown = after("free_of_intervention"),
  hyperemic_before_seat_or_wait = hyperemic_tooth(own, courses, teeth, patients, read("endo_details"), rules),
  technique_patient_age_crown_failure = age_at_seat(own, patients, rules)
)
writeLines(toJSON(answer, digits = I(11), dataframe = "columns", na = "null", null = "null"), args[2])
