# What R's survival says of the Stanford heart transplants, for test_anchor_stanford.py.
# From the folder of this file: Rscript stanford.R > stanford.json
library(survival)
exact <- coxph.control(eps = 1e-13, toler.chol = 1e-14, iter.max = 100)
rows <- read.csv("../../data/survival/heart_kp.csv")
rows$S <- with(rows, Surv(tstart, tstop, death))
patients <- do.call(rbind, lapply(split(rows, rows$subject), function(p)
  data.frame(subject = p$subject[1], ever = max(p$trt), exit = max(p$tstop), died = max(p$death))))
fits <- list(
  crude = coxph(S ~ trt, rows, cluster = subject, control = exact),
  adjusted = coxph(S ~ trt + age + year + surgery, rows, cluster = subject, control = exact),
  naive = coxph(Surv(exit, died) ~ ever, patients, cluster = subject, control = exact))
number <- function(x) formatC(x, digits = 15, format = "g")
one <- function(fit) paste0('{"log_ratio": ', number(coef(fit)[[1]]), ', "robust_error": ', number(sqrt(vcov(fit)[1, 1])),
                            ', "model_error": ', number(sqrt(fit$naive.var[1, 1])), ', "rows": ', fit$n, ', "events": ', fit$nevent, "}")
cat("{\n", paste0('  "', names(fits), '": ', sapply(fits, one), collapse = ",\n"), ',\n  "versions": "',
    R.version.string, ", survival ", as.character(packageVersion("survival")), '"\n}\n', sep = "")
