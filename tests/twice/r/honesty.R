# What stands beside a difference: what could have been seen, what could explain it away,
# and how unlike the groups were when the clock started.

honesty_of <- function(d, difference, code, ratio, groups, from, group, reference, unit, covariates, rules) {
  power <- 0.8
  e <- list(estimate = NA, limit = NA)
  if (code == "differs") {
    horizon <- days_of(rules$horizon_years)
    kept <- sapply(groups, function(g) g$milestones$survival[days_of(g$milestones$years) == horizon])
    rare <- all(!is.na(kept)) && all(1 - kept <= 0.15)
    e <- e_value(ratio$hazard_ratio, ratio$ci_low, ratio$ci_high, rare)
  }
  list(
    detectable_per_100 = one((1 + qnorm(power) / qnorm((1 + rules$confidence) / 2)) *
                               (difference$high - difference$low) / 2),
    e_value = one(e$estimate), e_value_limit = one(e$limit),
    balance = balance_of(d, group, reference, unit, covariates)
  )
}

# VanderWeele and Ding 2017; a ratio of hazards stands for one of risks where failures are rare, else it is turned.
e_value <- function(ratio, low, high, rare) {
  risk <- function(hr) if (rare) hr else (1 - 0.5^sqrt(hr)) / (1 - 0.5^sqrt(1 / hr))
  bound <- function(rr) { rr <- max(rr, 1 / rr); rr + sqrt(rr * (rr - 1)) }
  nearer <- if (ratio > 1) low else high
  list(estimate = bound(risk(ratio)), limit = if (low <= 1 && high >= 1) 1 else bound(risk(nearer)))
}

# Absolute standardised differences between the teeth, each in its last state.
balance_of <- function(d, group, reference, unit, covariates) {
  d <- d[order(d[[unit]], d$exit_days), ]
  d <- d[!duplicated(d[[unit]], fromLast = TRUE), ]
  d <- d[d$state %in% c(group, reference), ]
  treated <- d$state == group
  told <- list()
  for (cov in covariates) {
    v <- d[[cov$name]]
    gaps <- is.na(v)
    if (all(gaps)) next
    if (!is.null(cov$unit)) told[[cov$name]] <- or_na(v, mean(v, na.rm = TRUE))
    else if (is.logical(v)) told[[paste0(cov$name, "_true")]] <- as.numeric(is_true(v))
    else for (level in sort(unique(v[!gaps]))) told[[paste0(cov$name, "_", level)]] <- as.numeric(is_true(v == level))
    if (any(gaps)) told[[paste0(cov$name, "_unknown")]] <- as.numeric(gaps)
  }
  before <- sapply(told, function(x) standardised_mean(x, treated))
  as.list(before[!is.na(before)])
}

standardised_mean <- function(x, treated, w = rep(1, length(x))) {
  spread <- function(v) if (all(x %in% 0:1)) mean(v) * (1 - mean(v)) else var(v)
  s <- sqrt((spread(x[treated]) + spread(x[!treated])) / 2)
  if (s == 0) return(NA)
  abs(weighted.mean(x[treated], w[treated]) - weighted.mean(x[!treated], w[!treated])) / s
}
