# One technique question: crown failure by the age of the patient at the seat, in bands and as a curve.

BANDS <- c("under_40", "40_to_59", "60_or_more")
OF_AGE <- list(words("sex", "sex"), words("tooth_group", "tooth group"),
               words("endo_before_seat", "root canal before the seat"), words("material", "material"),
               number("year", "year of the start", 5))

age_at_seat <- function(crowns, patients, rules) {
  d <- crown_rows(crowns, patients)
  d <- d[d$entry_days <= 0 & was_followed(d), ]
  d$event <- d$failure
  d$endo_before_seat <- is_true(d$endo_timing == "before_seat")
  n <- nrow(d)
  d <- d[!is.na(d$age), ]
  d$state <- as.character(cut(d$age, c(-Inf, 40, 60, Inf), BANDS, right = FALSE))
  reference <- BANDS[2]
  made <- columns_of(d, OF_AGE)
  stratum <- strata_of(d, rules)
  others <- setdiff(BANDS, reference)
  marks <- sapply(others, function(s) as.numeric(d$state == s))
  model <- cox(d, cbind(marks, made$x), stratum)
  horizon <- days_of(rules$horizon_years)
  states <- setNames(lapply(BANDS, function(s) setNames(as.numeric(others == s), others)), BANDS)
  s <- standardised(model, stratum, seq_len(nrow(d)), states, horizon, 0, rules)
  stopifnot(all(s$in_state >= rules$min_at_risk))
  z <- qnorm((1 + rules$confidence) / 2)
  groups <- lapply(BANDS, function(name) {
    mine <- d[d$state == name, ]
    stopifnot(length(unique(mine$patient_id)) >= 10, sum(mine$event) >= 5)
    rate <- rate_of(mine, rules)
    # Log-log limits of the share that would be kept, as the constant rate that loses so much by the horizon.
    kept <- 1 - s$share[[name]]
    step <- z * sqrt(sum(s$pull[, name]^2)) / (kept * -log(kept))
    per_year <- function(k) -100 * log(k) / rules$horizon_years
    list(name = one(name), teeth = one(nrow(mine)), patients = one(length(unique(mine$patient_id))),
         failures = one(sum(mine$event)), tooth_years = one(rate$years), rate_per_100_tooth_years = one(rate$rate),
         rate_ci_low = one(rate$exact[1]), rate_ci_high = one(rate$exact[2]),
         adjusted_rate_per_100_tooth_years = one(per_year(kept)),
         adjusted_rate_ci_low = one(per_year(exp(-exp(log(-log(kept)) - step)))),
         adjusted_rate_ci_high = one(per_year(exp(-exp(log(-log(kept)) + step)))))
  })
  failures <- sapply(BANDS, function(name) sum(d$event[d$state == name]))
  contrasts <- lapply(others, function(name) {
    co <- contrast(model, setNames(1, name), rules, failed_in(d, c(name, reference)))
    e <- standard_difference(s, name, reference, rules)
    # A claim must stand on both scales; Student's t, as the far tail counts.
    alone <- 2 * pt(-abs(e$estimate) / e$error, max(min(failures[c(name, reference)]) - 1, 1))
    list(group = one(name), reference = one(reference), hazard_ratio = one(co$hr), ratio_ci_low = one(co$low),
         ratio_ci_high = one(co$high), difference_per_100 = one(e$estimate), difference_ci_low = one(e$low),
         difference_ci_high = one(e$high), p = one(max(alone, co$p)),
         verdict = one(verdict_of(e, failures[c(name, reference)], rules)))
  })
  c(list(horizon_years = one(rules$horizon_years), reference = one(reference), groups = groups, contrasts = contrasts,
         adjusted_for = made$used, stratified_by = "clinician", missing = made$missing, notes = list(c(n - nrow(d), n))),
    dose_of(d, made$x, stratum, reference, rules))
}

# A natural spline with Harrell's knots; the middle of the reference band has a ratio of 1.
dose_of <- function(d, x, stratum, reference, rules) {
  knots <- quantile(d$age, c(0.05, 0.35, 0.65, 0.95), names = FALSE)
  basis <- function(age) ns(age, knots = knots[2:3], Boundary.knots = knots[c(1, 4)])[, 1:3, drop = FALSE]
  curve <- basis(d$age)
  colnames(curve) <- paste0("dose", 1:3)
  model <- cox(d, cbind(curve, x), stratum)
  middle <- median(d$age[d$state == reference])
  at <- seq(quantile(d$age, 0.05), quantile(d$age, 0.95), length.out = 11)
  points <- lapply(at, function(age) {
    co <- contrast(model, setNames(drop(basis(age) - basis(middle)), colnames(curve)), rules)
    data.frame(dose = age, hazard_ratio = co$hr, ci_low = co$low, ci_high = co$high)
  })
  b <- model$beta[1:3]; v <- model$var[1:3, 1:3]
  f_test <- function(l) {
    chi <- drop(t(l %*% b) %*% solve(l %*% v %*% t(l), l %*% b))
    pf(chi / nrow(l), nrow(l), sum(d$event) - 1, lower.tail = FALSE)
  }
  # What a straight line is in these columns; a bend is all that lies across it.
  line <- lm.fit(basis(knots), knots - knots[1])$coefficients
  across <- t(qr.Q(qr(cbind(line)), complete = TRUE)[, 2:3])
  list(dose = do.call(rbind, points), reference_dose = one(middle), dose_p = one(f_test(diag(3))),
       bend_p = one(f_test(across)))
}
