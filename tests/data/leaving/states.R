# Shares in three states by R's multi-state survfit: one row a stay, states 0, 1, 2; passes_to -1 where follow-up ends.
labels <- c("vital", "opened", "lost")
d$from <- factor(labels[d$state + 1], labels)
d$to <- factor(c("censored", labels)[d$passes_to + 2], c("censored", labels))
states <- survcheck(Surv(entry, exit, to) ~ 1, d, id = crown, istate = from)$states
fit <- survfit(Surv(entry, exit, to) ~ 1, d, id = crown, istate = from, p0 = as.numeric(states == "vital"),
               influence = TRUE)
order <- match(labels, fit$states)
place <- findInterval(days, fit$time)
from <- dim(fit$influence.pstate)[2] - length(fit$time)
pulls <- fit$influence.pstate[, from + place, order]
patient <- d$patient[match(unique(d$crown), d$crown)]
list(days = days, share = t(fit$pstate[place, order]), by_crown = t(fit$std.err[place, order]),
     by_patient = sapply(seq_along(days), function(i) sqrt(colSums(rowsum(pulls[, i, ], patient)^2))))
