# Writes runlengths.csv: average run lengths of two-sided CUSUM and EWMA charts of normal
# figures, by the package spc of R. Run: Rscript runlengths.R
suppressMessages(library(spc))
out <- list()
for (k in c(0.25, 0.5, 1)) for (h in c(2, 4, 5)) for (mu in c(0, 0.5, 1, 2))
  out[[length(out) + 1]] <- data.frame(chart = "cusum", weight = k, limit = h, shift = mu, run_length = xcusum.arl(k, h, mu, sided = "two", r = 120))
for (l in c(0.05, 0.1, 0.2, 0.4)) for (w in c(2.5, 2.814, 3)) for (mu in c(0, 0.5, 1, 2))
  out[[length(out) + 1]] <- data.frame(chart = "ewma", weight = l, limit = w, shift = mu, run_length = xewma.arl(l, w, mu, sided = "two", r = 120))
out <- do.call(rbind, out)
out$run_length <- sprintf("%.10g", out$run_length)
head <- paste0("# average run lengths,spc ", packageVersion("spc"), ",R ", getRversion(), ",runlengths.R")
writeLines(head, "runlengths.csv")
suppressWarnings(write.table(out, "runlengths.csv", sep = ",", row.names = FALSE, quote = FALSE, append = TRUE))
