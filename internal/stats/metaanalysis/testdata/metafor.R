# Random effects by REML with metafor 3.8 (Debian 12's r-cran-metafor).
#
#   Rscript metafor.R > metafor.csv
suppressMessages(library(metafor))
cat("set,y,v,tau2,mu,se,q\n")
set.seed(7)
sets <- list(
  plain = list(y = c(1.12, 0.95, 1.31, 0.88, 1.05, 1.40), v = c(0.010, 0.022, 0.015, 0.008, 0.030, 0.012)),
  alike = list(y = c(1.00, 1.01, 0.99, 1.00), v = c(0.02, 0.03, 0.01, 0.04)),
  two = list(y = c(0.8, 1.6), v = c(0.01, 0.04)),
  many = list(y = round(rnorm(40, 1.2, 0.3), 4), v = round(runif(40, 0.001, 0.09), 5)))
for (name in names(sets)) {
  s <- sets[[name]]
  m <- rma(yi = s$y, vi = s$v, method = "REML", control = list(threshold = 1e-12, maxiter = 10000))
  for (i in seq_along(s$y)) cat(sprintf("%s,%.5f,%.5f,%.12g,%.12g,%.12g,%.12g\n", name, s$y[i], s$v[i], m$tau2, m$beta, m$se, m$QE))
}
