# What every question here needs: tables in, curves, counts and ratios out. Written from the project's definitions
# (DEVELOPERS.md and the docstrings of pipeline/questions) with R's own functions for survival; nothing is copied.
# Days are whole numbers; a row is followed on days with entry < day <= exit, and one that starts on day 0 counts from
# before it (-1), so that what happens on day 0 is seen.
suppressMessages({library(survival); library(jsonlite); library(splines)})

YEAR <- 365.25
# R's default tolerance leaves up to 1e-5 in a coefficient.
TIGHT <- coxph.control(eps = 1e-13, toler.chol = 1e-14, iter.max = 100, toler.inf = 1e-12)
days_of <- function(years) round(years * YEAR)

read_table <- function(folder, name) {
  d <- read.csv(file.path(folder, paste0(name, ".csv")), colClasses = "character", na.strings = "")
  for (column in names(d)) {
    v <- d[[column]]
    known <- v[!is.na(v)]
    if (grepl("_date$|^(started|completed|extracted|followed_to)$", column)) d[[column]] <- as.Date(v)
    else if (length(known) && all(known %in% c("true", "false"))) d[[column]] <- v == "true"
    else if (column %in% c("tooth_fdi", "birth_year", "loss_interval_days")) d[[column]] <- as.integer(v)
  }
  d
}

# A number of JSON, NA being null; lists keep their shape.
one <- function(v) if (length(v) == 0) NA else unbox(v)
or_na <- function(v, otherwise) ifelse(is.na(v), otherwise, v)
is_true <- function(v) !is.na(v) & v
days_between <- function(later, earlier) as.integer(later - earlier)

# ---- people and the clock -------------------------------------------------------------------------------------------

with_people <- function(d, patients, day) {
  p <- patients[match(d$patient_id, patients$patient_id), ]
  born <- p$birth_date
  guess <- as.Date(ifelse(is.na(p$birth_year), NA, paste0(p$birth_year, "-07-01")))
  born[is.na(born)] <- guess[is.na(born)]
  for (name in c("sex", "smoker", "diabetes", "bruxism")) d[[name]] <- p[[name]]
  d$age <- days_between(day, born) / YEAR
  parts <- as.POSIXlt(day)
  d$year <- parts$year + 1900 + parts$yday / YEAR
  d
}

was_followed <- function(d) d$exit_days > d$entry_days | d$entry_days <= 0
from_before_day_0 <- function(entry) ifelse(entry <= 0, -1, entry)

# ---- curves ---------------------------------------------------------------------------------------------------------

# Kaplan-Meier with errors grouped by patient, from a day on among those followed past it.
curve_of <- function(d, from, rules, weights = NULL) {
  if (from > 0) {
    d <- d[d$exit_days > from, ]
    d$t0 <- pmax(d$entry_days, from)
  } else d$t0 <- from_before_day_0(d$entry_days)
  d$w <- if (is.null(weights)) 1 else weights
  f <- survfit(Surv(t0, exit_days, event) ~ 1, d, weights = w, cluster = patient_id, robust = TRUE, influence = TRUE,
               conf.type = "log-log", conf.int = rules$confidence)
  list(time = f$time, risk = f$n.risk, events = f$n.event, surv = f$surv, low = f$lower, high = f$upper, from = from,
       pull = f$influence.surv, patients = sort(unique(d$patient_id)))
}

# The step function at a day: the place of the last time on or before it, 0 before the first.
step_at <- function(curve, day) findInterval(day, curve$time)
survival_on <- function(curve, day) c(1, curve$surv)[step_at(curve, day) + 1]

# A group that enters late carries a curve once so many are followed as the rules ask for, and no sooner than it has
# stopped falling below that while it grew.
curve_start <- function(d, rules) {
  if (max(d$entry_days) == 0) return(0)
  need <- max(rules$min_at_risk, ceiling(1 / rules$max_step))
  enters <- sort(pmax(d$entry_days, 0))
  under <- sapply(unique(enters), function(t) sum(enters <= t) - sum(d$exit_days <= t))
  start <- unique(enters)[under >= need][1]
  if (is.na(start) || !any(d$exit_days > start)) return(NA)
  curve <- curve_of(d, start, rules)
  growing <- seq_along(curve$time) < which.max(curve$risk)
  thin <- curve$time[growing & curve$risk < need]
  if (length(thin)) max(thin) else start
}

curve_stop <- function(curve, rules) {
  before <- c(1, head(curve$surv, -1))
  few <- curve$risk < rules$min_at_risk
  jumps <- before / curve$risk > rules$max_step
  first <- which(few | jumps)[1]
  if (is.na(first)) return(list(day = max(curve$time), why = "the end of follow-up"))
  day <- if (first > 1) curve$time[first - 1] else curve$from
  why <- if (few[first]) sprintf("fewer than %g are followed after that", rules$min_at_risk)
         else sprintf("one more failure would move it by more than %g of 100", 100 * rules$max_step)
  list(day = day, why = why)
}

# ---- a group of a comparison ----------------------------------------------------------------------------------------

rate_of <- function(d, rules) {
  years <- (d$exit_days - pmax(d$entry_days, 0)) / YEAR
  failures <- sum(d$event)
  total <- sum(years)
  # The sandwich of a constant rate: a patient's failures less those that the rate expects of their years.
  surplus <- tapply(d$event - failures / total * years, d$patient_id, sum)
  half <- qnorm((1 + rules$confidence) / 2) * sqrt(sum(surplus^2)) / failures
  rate <- 100 * failures / total
  exact <- unname(poisson.test(failures, total, conf.level = rules$confidence)$conf.int[1:2]) * 100
  list(years = total, rate = rate, low = rate * exp(-half), high = rate * exp(half), exact = exact)
}

milestones_of <- function(d, curve, start, stop, rules) {
  entry <- from_before_day_0(d$entry_days)
  rows <- lapply(rules$years, function(year) {
    day <- days_of(year)
    entered <- sum(entry < day)
    failed <- sum(d$exit_days < day & d$event)
    ended <- sum(d$exit_days < day & !d$event)
    followed <- entered - failed - ended
    s <- low <- high <- NA
    if (!is.null(curve) && day >= start && day <= stop) {
      at <- step_at(curve, day)
      s <- survival_on(curve, day)
      low <- if (at) curve$low[at] else NA
      high <- if (at) curve$high[at] else NA
      if (s == 1 && followed > 0) {
        # No failure yet: the exact limit of none among those followed.
        low <- 1 - binom.test(0, followed, conf.level = rules$confidence)$conf.int[2]
        high <- 1
      }
    }
    data.frame(years = year, entered, followed, failed, ended, survival = s, ci_low = low, ci_high = high)
  })
  do.call(rbind, rows)
}

points_of <- function(curve, stop) {
  shown <- curve$time <= stop & curve$events > 0
  last <- max(c(0, which(curve$time <= stop)))
  if (last) shown[last] <- TRUE
  data.frame(days = c(curve$from, curve$time[shown]), at_risk = c(curve$risk[1], curve$risk[shown]),
             survival = c(1, curve$surv[shown]), ci_low = c(1, or_na(curve$low, curve$surv)[shown]),
             ci_high = c(1, or_na(curve$high, curve$surv)[shown]))
}

# `d` are the rows in the state, `counted` the crowns or teeth that carry its label.
group_of <- function(d, name, counted, rules, late = FALSE) {
  rate <- rate_of(d, rules)
  start <- if (late) curve_start(d, rules) else 0
  curve <- if (is.na(start)) NULL else curve_of(d, start, rules)
  stop <- if (is.null(curve)) list(day = 0, why = "too few are followed for a curve") else curve_stop(curve, rules)
  start <- or_na(start, 0)
  list(name = one(name), crowns = one(nrow(counted)), patients = one(length(unique(counted$patient_id))),
       failures = one(sum(counted$failure)), tooth_years = one(rate$years), rate_per_100_tooth_years = one(rate$rate),
       rate_ci_low = one(rate$low), rate_ci_high = one(rate$high), curve = points_of(curve, stop$day),
       milestones = milestones_of(d, curve, start, stop$day, rules), starts_at_days = one(start),
       stops_at_days = one(stop$day), stop_reason = one(stop$why))
}

# ---- differences ----------------------------------------------------------------------------------------------------

# Share failed by a day, `a` minus `b`, per 100; patients may have teeth in both.
crude_difference <- function(a, b, day, from, rules, weights = list(NULL, NULL)) {
  curves <- list(curve_of(a, from, rules, weights[[1]]), curve_of(b, from, rules, weights[[2]]))
  pulls <- lapply(curves, function(cu) {
    at <- step_at(cu, day)
    setNames(if (at) cu$pull[, at] else rep(0, length(cu$patients)), cu$patients)
  })
  both <- union(names(pulls[[1]]), names(pulls[[2]]))
  own <- lapply(pulls, function(p) or_na(p[both], 0))
  estimate <- survival_on(curves[[2]], day) - survival_on(curves[[1]], day)
  limits_around(estimate, sqrt(sum((own[[2]] - own[[1]])^2)), rules)
}

limits_around <- function(estimate, error, rules) {
  z <- qnorm((1 + rules$confidence) / 2)
  list(estimate = 100 * estimate, error = 100 * error, low = 100 * (estimate - z * error),
       high = 100 * (estimate + z * error))
}

difference_of <- function(d, group, reference, from, rules) {
  list(group = one(group), reference = one(reference), years = one(rules$horizon_years), from_days = one(from),
       per_100 = one(d$estimate), ci_low = one(d$low), ci_high = one(d$high))
}

# ---- what is adjusted for -------------------------------------------------------------------------------------------

number <- function(name, label, unit) list(name = name, label = label, unit = unit)
words <- function(name, label) list(name = name, label = label)
FEWEST <- 5  # failures that a level or a mark needs to have a coefficient of its own

as_word <- function(v) {
  v <- if (is.logical(v)) ifelse(v, "true", "false") else as.character(v)
  or_na(v, "unknown")
}

# Columns of a model: a number as a line, its gaps at the mean; of words the commonest is the reference, and those with
# too few failures are taken together, or with the reference if they are few even then.
columns_of <- function(d, covariates, event = d$event) {
  x <- list(); used <- left_out <- missing <- character()
  for (cov in covariates) {
    v <- d[[cov$name]]
    gaps <- is.na(v)
    if (all(gaps)) { left_out <- c(left_out, paste(cov$label, "(not recorded)")); next }
    own <- list()
    if (!is.null(cov$unit)) {
      if (min(v, na.rm = TRUE) < max(v, na.rm = TRUE)) {
        middle <- mean(v, na.rm = TRUE)
        own[[cov$name]] <- (or_na(v, middle) - middle) / cov$unit
        if (sum(event & gaps) >= FEWEST) own[[paste0(cov$name, "_unknown")]] <- as.numeric(gaps)
      }
    } else {
      v <- as_word(v)
      rows <- table(v)
      failed <- tapply(event, v, sum)[names(rows)]
      order_by_size <- order(-rows, -failed)
      if (length(rows) > 1 && all(c(rows[order_by_size[1]] == rows[order_by_size[2]],
                                    failed[order_by_size[1]] == failed[order_by_size[2]])))
        stop("two levels tie for the reference: choose another practice")
      rest <- setdiff(names(rows), names(rows)[order_by_size[1]])
      alone <- rest[failed[rest] >= FEWEST]
      pool <- setdiff(rest, alone)
      for (level in alone) own[[paste0(cov$name, "_", level)]] <- as.numeric(v == level)
      if (sum(failed[pool]) >= FEWEST) own[[paste0(cov$name, "_rare")]] <- as.numeric(v %in% pool)
    }
    if (!length(own)) { left_out <- c(left_out, paste(cov$label, "(the same in all, or too rare)")); next }
    used <- c(used, cov$label)
    if (any(gaps)) missing <- c(missing, sprintf("%s: %s of %s rows without a value", cov$label, format(sum(gaps), big.mark = ","), format(nrow(d), big.mark = ",")))
    x <- c(x, own)
  }
  x <- if (length(x)) do.call(cbind, x) else matrix(0, nrow(d), 0)
  list(x = x, used = used, left_out = left_out, missing = missing)
}

# A baseline for each clinician with enough failures; the others share one.
strata_of <- function(d, rules) {
  who <- as_word(d$provider_id)
  failed <- tapply(d$event, who, sum)
  kept <- sort(names(failed)[failed >= rules$min_stratum_failures])
  match(who, kept, nomatch = length(kept) + 1)
}

# ---- Cox models -----------------------------------------------------------------------------------------------------

cox <- function(d, x, stratum = NULL) {
  d$t0 <- from_before_day_0(d$entry_days)
  d$stratum <- if (is.null(stratum)) 1 else stratum
  # Columns that follow from those before them tell nothing.
  keep <- setdiff(qr(cbind(1, x))$pivot[seq_len(qr(cbind(1, x))$rank)], 1) - 1
  x <- x[, sort(keep), drop = FALSE]
  fit <- coxph(Surv(t0, exit_days, event) ~ x + strata(stratum), d, cluster = patient_id, ties = "efron",
               control = TIGHT)
  beta <- setNames(coef(fit), colnames(x))
  v <- fit$var
  naive <- fit$naive.var
  dimnames(v) <- dimnames(naive) <- list(colnames(x), colnames(x))
  list(fit = fit, beta = beta, var = v, naive = naive, x = x, d = d)
}

# How many patients with one failure each tell as much as the failures of each of two groups, by Kish's rule.
failed_in <- function(d, pair, label = d$state) {
  sapply(pair, function(name) {
    by_patient <- tapply(d$event[label == name], d$patient_id[label == name], sum)
    sum(by_patient)^2 / sum(by_patient^2)
  })
}

# Where few have failed: by how much the model's error is larger than that between patients, and Student's t with the
# degrees of freedom of two variances 1 / n (Welch).
allowance <- function(model, along, failed, rules) {
  size <- function(v) as.numeric(t(along) %*% v[names(along), names(along)] %*% along)
  v <- 1 / failed
  df <- sum(v)^2 / sum(v^2 / (failed - 1))
  list(larger = sqrt(max(1, size(model$naive) / size(model$var))), df = df,
       t = qt((1 + rules$confidence) / 2, df))
}

contrast <- function(model, along, rules, failed = c(Inf, Inf)) {
  estimate <- sum(along * model$beta[names(along)])
  v <- model$var[names(along), names(along)]
  few <- if (all(is.finite(failed))) allowance(model, along, failed, rules) else
    list(larger = 1, df = Inf, t = qnorm((1 + rules$confidence) / 2))
  error <- few$larger * sqrt(as.numeric(t(along) %*% v %*% along))
  list(hr = exp(estimate), low = exp(estimate - few$t * error), high = exp(estimate + few$t * error),
       p = 2 * pt(-abs(estimate) / error, few$df), error = error)
}

estimate_of <- function(model, group, reference, units, used, by, rules) {
  along <- c(setNames(1, group), setNames(-1, reference))
  failed <- failed_in(model$d, c(group, reference))
  co <- contrast(model, along[names(along) %in% names(model$beta)], rules, failed)
  list(contrast = one(paste(group, "vs", reference)), adjusted_for = used, stratified_by = by,
       hazard_ratio = one(co$hr), ci_low = one(co$low), ci_high = one(co$high), p = one(co$p),
       rows = one(nrow(model$d)), crowns = one(units), events = one(sum(model$d$event)),
       clusters = one(length(unique(model$d$patient_id))))
}

# ---- the verdict, by its interval alone -----------------------------------------------------------------------------

verdict_of <- function(difference, failures, rules, smallest = rules$smallest_difference_per_100) {
  if (is.null(difference) || min(failures) < rules$min_failures) return("too_early")
  low <- difference$low; high <- difference$high
  if (low > -smallest && high < smallest) return("little_difference")
  if (low > 0 || high < 0) return("differs")
  "cannot_tell"
}
