# Writes expected.json: what the R package metafor makes of the cases below. Run in this folder: Rscript record.R
suppressMessages({library(metafor); library(jsonlite)})
bcg <- escalc(measure="RR", ai=tpos, bi=tneg, ci=cpos, di=cneg, data=dat.bcg)
cases <- list(
  bcg=list(y=as.numeric(bcg$yi), se=sqrt(as.numeric(bcg$vi))),
  two=list(y=as.numeric(bcg$yi)[1:2], se=sqrt(as.numeric(bcg$vi))[1:2]),
  alike=list(y=c(0.1, 0.12, 0.09, 0.11), se=c(0.3, 0.2, 0.4, 0.25)),
  apart=list(y=c(0.9, -0.4, 0.3, 1.6, 0.2), se=c(0.2, 0.3, 0.15, 0.5, 0.1))
)
# The iterations of metafor stop at 1e-5 by default.
tight <- list(threshold=1e-13, tol=1e-12, maxiter=10000)
pooled <- function(d) {
  out <- list()
  for (m in c("REML", "DL", "PM")) {
    r <- rma(d$y, sei=d$se, method=m, control=tight)
    k <- rma(d$y, sei=d$se, method=m, test="knha", control=tight)
    a <- rma(d$y, sei=d$se, method=m, test="adhoc", control=tight)
    ci <- confint(r, control=list(tol=1e-12, tau2.max=1e4))$random
    p <- predict(a)
    out[[m]] <- list(
      estimate=c(r$beta), std_error=r$se, normal_low=r$ci.lb, normal_high=r$ci.ub, plain_std_error=k$se,
      plain_low=k$ci.lb, plain_high=k$ci.ub, low=a$ci.lb, high=a$ci.ub, p=c(a$pval), predicted_low=p$pi.lb,
      predicted_high=p$pi.ub, q=r$QE, q_p=r$QEp, i2=r$I2/100, i2_low=ci["I^2(%)", "ci.lb"]/100,
      i2_high=ci["I^2(%)", "ci.ub"]/100, tau2=r$tau2, tau2_low=ci["tau^2", "ci.lb"], tau2_high=ci["tau^2", "ci.ub"]
    )
  }
  left <- if (length(d$y) > 2) leave1out(rma(d$y, sei=d$se, method="REML", control=tight))$estimate else numeric(0)
  c(d, list(methods=out, left_out=as.numeric(left)))
}
answer <- list(
  software=paste("R", getRversion(), "metafor", packageVersion("metafor")), cases=lapply(cases, pooled)
)
writeLines(toJSON(answer, digits=I(15), auto_unbox=TRUE, pretty=TRUE), "expected.json")
