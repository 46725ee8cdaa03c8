# Writes observations.csv and fits.json: linear mixed models fitted by restricted
# likelihood with lme4, nlme and metafor. Run: Rscript fits.R
suppressMessages({library(lme4); library(nlme); library(metafor)})
set.seed(20)
simulate_set <- function(name, groups, clusters, most, sg, sc, sr, umax) {
  rows <- list(); id <- 0
  for (g in seq_len(groups)) {
    ag <- rnorm(1, 0, sg)
    for (k in seq_len(clusters)) {
      id <- id + 1; ak <- rnorm(1, 0, sc)
      for (i in seq_len(sample(most, 1))) {
        u <- runif(1, 0, umax)
        rows[[length(rows) + 1]] <- data.frame(set = name, group = g, cluster = id, x = k / clusters, u = u,
          y = 1 + 0.5 * k / clusters + ag + ak + rnorm(1, 0, sr) + rnorm(1, 0, u))
      }
    }
  }
  do.call(rbind, rows)
}
data <- rbind(
  simulate_set("clusters", 1, 25, 3, 0, 0.4, 0.3, 0),
  simulate_set("nested", 6, 12, 4, 0.3, 0.25, 0.4, 0),
  simulate_set("known-variances", 5, 10, 3, 0.3, 0.3, 0.3, 0.5),
  simulate_set("no-cluster-variance", 1, 20, 4, 0, 0, 0.5, 0),
  data.frame(set = "dyestuff", group = 1, cluster = as.integer(Dyestuff$Batch), x = 0, u = 0, y = Dyestuff$Yield),
  data.frame(set = "pastes", group = as.integer(Pastes$batch), cluster = as.integer(factor(Pastes$sample)), x = 0, u = 0, y = Pastes$strength))
data$y <- signif(data$y, 8); data$u <- signif(data$u, 6)
write.csv(data, "observations.csv", row.names = FALSE, quote = FALSE)
of <- function(s) data[data$set == s, ]
tight <- lmerControl(optimizer = "nloptwrap", optCtrl = list(xtol_abs = 1e-12, ftol_abs = 1e-14, maxeval = 1e5), check.conv.singular = "ignore")
out <- c()
put <- function(set, by, beta, se, residual, cluster, group, logl) {
  num <- function(v) paste(formatC(v, digits = 15, format = "g"), collapse = ", ")
  out <<- c(out, sprintf('  {"set": "%s", "by": "%s", "beta": [%s], "se": [%s], "residual": %s, "cluster": %s, "group": %s, "log_likelihood": %s}',
    set, by, num(beta), num(se), num(residual), num(cluster), num(group), num(logl)))
}
with_lmer <- function(set, formula) {
  m <- lmer(formula, of(set), control = tight)
  v <- as.data.frame(VarCorr(m)); get <- function(n) if (any(v$grp == n)) v$vcov[v$grp == n] else 0
  put(set, paste("lme4", packageVersion("lme4")), fixef(m), sqrt(diag(as.matrix(vcov(m)))), sigma(m)^2,
    get("cluster") + get("cluster:group"), get("group"), as.numeric(logLik(m)))
}
with_lmer("clusters", y ~ x + (1 | cluster))
with_lmer("nested", y ~ x + (1 | group / cluster))
with_lmer("no-cluster-variance", y ~ x + (1 | cluster))
with_lmer("dyestuff", y ~ 1 + (1 | cluster))
with_lmer("pastes", y ~ 1 + (1 | group / cluster))
m <- lme(y ~ x, random = ~ 1 | group / cluster, data = of("nested"), control = lmeControl(tolerance = 1e-12, msTol = 1e-14, opt = "optim", reltol = 1e-15))
v <- suppressWarnings(as.numeric(VarCorr(m)[, 1])); v <- v[!is.na(v)]
put("nested", paste("nlme", packageVersion("nlme")), fixef(m), sqrt(diag(vcov(m))), v[3], v[2], v[1], as.numeric(logLik(m)))
k <- of("known-variances"); k$id <- seq_len(nrow(k))
m <- rma.mv(y, V = u^2, mods = ~ x, random = ~ 1 | group / cluster / id, data = k, control = list(optimizer = "optim", optmethod = "BFGS", reltol = 1e-15))
X <- model.matrix(m)
put("known-variances", paste("metafor", packageVersion("metafor")), coef(m), m$se, m$sigma2[3], m$sigma2[2], m$sigma2[1],
  as.numeric(logLik(m)) - 0.5 * as.numeric(determinant(crossprod(X))$modulus))
writeLines(c("[", paste(out, collapse = ",\n"), "]"), "fits.json")
