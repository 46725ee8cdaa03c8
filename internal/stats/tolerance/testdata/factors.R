# Writes factors-r.csv: one-sided tolerance factors of normal figures by the noncentral t,
# and the confidence of the largest figure by the binomial, of base R (what the function
# K.factor of the package tolerance computes exactly, and its distfree.est). Run: Rscript factors.R
out <- expand.grid(n = c(10, 15, 30, 50, 80), coverage = c(0.9, 0.95, 0.99), confidence = c(0.9, 0.95, 0.99))
out$one_sided <- sprintf("%.10g", qt(out$confidence, out$n - 1, ncp = qnorm(out$coverage) * sqrt(out$n)) / sqrt(out$n))
out$largest <- sprintf("%.10g", 1 - pbinom(0, out$n, 1 - out$coverage))
writeLines(paste0("# tolerance factors,base R ", getRversion(), ",factors.R"), "factors-r.csv")
suppressWarnings(write.table(out, "factors-r.csv", sep = ",", row.names = FALSE, quote = FALSE, append = TRUE))
