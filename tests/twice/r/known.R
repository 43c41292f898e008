# Rscript known.R FOLDER ANSWER: the main comparison of the crowns and patients that a practice is known to have had.
args <- commandArgs(trailingOnly = TRUE)
for (part in c("common.R", "standardise.R", "honesty.R", "crowns.R", "phases.R")) source(part)
told <- fromJSON(file.path(args[1], "settings.json"))
rules <- lapply(told[setdiff(names(told), "data_cutoff")], as.numeric)
rules$data_cutoff <- as.Date(told$data_cutoff)
rules$max_step <- rules$max_step_per_100 / 100
rules$years <- sort(unique(c(0, 1, 2, 3, 5, 7, 10, 15, rules$horizon_years)))
read <- function(name) read_table(args[1], name)

# Crowns of one patient compared with one another alone: a baseline for each patient, errors of the model.
within_patients <- function(d, rules) {
  failed <- tapply(d$event, d$patient_id, any)
  states <- tapply(d$state, d$patient_id, function(s) length(unique(s)))
  d <- d[d$patient_id %in% names(failed)[failed & states > 1], ]
  d$t0 <- from_before_day_0(d$entry_days)
  met <- lapply(which(d$event), function(i) {
    any(d$patient_id == d$patient_id[i] & d$state != d$state[i] & d$t0 < d$exit_days[i] & d$exit_days >= d$exit_days[i])
  })
  told <- which(d$event)[unlist(met)]
  fit <- coxph(Surv(t0, exit_days, event) ~ I(state == "through_crown") + I(state == "vital") + strata(patient_id), d,
               ties = "efron", control = TIGHT)
  b <- unname(coef(fit)[1]); half <- qnorm((1 + rules$confidence) / 2) * sqrt(vcov(fit)[1, 1])
  list(hazard_ratio = one(exp(b)), ci_low = one(exp(b - half)), ci_high = one(exp(b + half)),
       patients = one(length(unique(d$patient_id[told]))), failures = one(length(told)))
}

crowns <- own_crowns(read("crowns"))
found <- main_comparison(crowns, read("patients"), rules)
spells <- state_rows(crown_rows(crowns, read("patients")))
made <- columns_of(spells, OF_CROWNS)
x <- cbind(before_seat = as.numeric(spells$state == "before_seat"), made$x)
stratum <- strata_of(spells, rules)
adjusted <- cox(spells, cbind(x, through_crown = as.numeric(spells$state == "through_crown")), stratum)
x <- adjusted$x[, colnames(adjusted$x) != "through_crown", drop = FALSE]
changing <- through_phases(spells, x, stratum, adjusted, found$difference$from_days, days_of(rules$horizon_years), rules)
answer <- list(
  main = found, within = within_patients(spells, rules),
  changing = list(difference = lapply(changing$difference[c("estimate", "low", "high")], one),
                  overall = changing$overall, mean_years = changing$mean_years),
  first_year = first_year_test(spells, x, stratum, rules)
)
writeLines(toJSON(answer, digits = I(11), dataframe = "columns", na = "null", null = "null"), args[2])
