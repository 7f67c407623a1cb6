# Computes outside values again in R and holds them against expected.csv: Rscript tests/oracles/again.R tests/reference
# Needs R with the packages survival and cmprsk. Ends with an error where a value differs.
suppressMessages({
  library(survival)
  library(cmprsk)
})
args <- commandArgs(trailingOnly = TRUE)
folder <- if (length(args)) args[1] else "tests/reference"
kept <- read.csv(file.path(folder, "expected.csv"), colClasses = c(group = "character", at = "character"))
table_of <- function(name) read.csv(file.path(folder, paste0("data_", name, ".csv")))
done <- 0
wrong <- character(0)

# hold(case, quantity, value, at, group, tolerance): compare one value, relative
hold <- function(case, quantity, value, at = "", group = "", tolerance = 1e-6) {
  row <- kept[kept$case == case & kept$quantity == quantity & kept$group == group & kept$at == at, ]
  if (nrow(row) != 1) {
    wrong <<- c(wrong, paste("no row for", case, quantity, group, at))
    return(invisible())
  }
  done <<- done + 1
  if (abs(value - row$value) > tolerance * abs(row$value) + 1e-12)
    wrong <<- c(wrong, paste(case, quantity, group, at, "R says", signif(value, 8), "kept", row$value))
}

curve <- function(case, life, times, weight = NULL, group = "") {
  d <- data.frame(w = if (is.null(weight)) rep(1, nrow(life)) else weight)
  d$life <- life
  for (type in c("plain", "log", "log-log")) {
    at <- summary(survfit(life ~ 1, data = d, weights = w, conf.type = type), times = times, extend = TRUE)
    tag <- gsub("-", "", type)
    for (k in seq_along(times)) {
      hold(case, "km_S", at$surv[k], times[k], group)
      if (!is.na(at$lower[k])) hold(case, paste0("km_lo95_", tag), at$lower[k], times[k], group)
      if (!is.na(at$upper[k])) hold(case, paste0("km_hi95_", tag), at$upper[k], times[k], group)
      if (type == "plain") hold(case, "nelson_aalen_H", at$cumhaz[k], times[k], group)
    }
  }
}

law <- function(case, formula, d, dist, terms, group = "", weight = rep(1, nrow(d))) {
  d$w <- weight
  fit <- survreg(formula, d, weights = w, dist = dist, control = list(rel.tolerance = 1e-13, maxiter = 500))
  for (k in seq_along(terms)) hold(case, paste0("coef_", terms[k]), unname(fit$coefficients[k]), group = group, tolerance = 1e-4)
  hold(case, "sigma", fit$scale, group = group, tolerance = 1e-4)
  hold(case, "loglik", fit$loglik[2], group = group, tolerance = 1e-5)
  v <- vcov(fit)
  names <- c(terms, "log_sigma")
  for (i in seq_along(names)) for (j in i:length(names))
    if (abs(v[i, j]) > 1e-6 * sqrt(v[i, i] * v[j, j]))
      hold(case, paste("var", names[i], names[j], sep = "_"), v[i, j], group = group, tolerance = 1e-3)
}

cox <- function(case, fit, group = "") {
  for (name in names(coef(fit))) {
    hold(case, paste0("cox_coef_", name), coef(fit)[[name]], group = group, tolerance = 1e-4)
    hold(case, paste0("cox_se_", name), sqrt(diag(vcov(fit)))[[name]], group = group, tolerance = 1e-3)
  }
  hold(case, "cox_loglik", fit$loglik[2], group = group, tolerance = 1e-6)
}

d <- table_of("nist_km"); curve("D01", Surv(d$hours, d$failed), c(10, 32, 56, 98, 122, 181))
d <- table_of("nist_weibull")
for (dist in c("weibull", "lognormal")) law("D02", Surv(hours, failed) ~ 1, d, dist, "mu", dist, d$count)
d <- table_of("shock_absorber")
at <- unique(kept$at[kept$case == "D03" & kept$quantity == "km_S"])
curve("D03", Surv(d$km, d$mode > 0), as.numeric(at))
law("D03", Surv(km, mode > 0) ~ 1, d, "weibull", "mu", "all modes")
for (mode in 1:2) {
  d$own <- d$mode == mode
  law("D03", Surv(km, own) ~ 1, d, "weibull", "mu", paste("mode", mode))
}
ours <- cuminc(d$km, d$mode, cencode = 0)
at <- as.numeric(unique(kept$at[kept$case == "D03" & kept$quantity == "cif"]))
points <- timepoints(ours, at)
for (mode in 1:2) for (k in seq_along(at)) {
  hold("D03", "cif", points$est[mode, k], at[k], paste0("cause", mode))
  hold("D03", "cif_var_cmprsk", points$var[mode, k], at[k], paste0("cause", mode))
}
d <- table_of("bearing_cage")
law("D04", Surv(hours, failed) ~ 1, d, "weibull", "mu", weight = d$count)
d <- table_of("superalloy"); d$x <- log(d$stress)
law("D08", Surv(kcycles, failed) ~ x, d, "weibull", c("mu", "log_stress"), "log stress")
law("D08", Surv(kcycles, failed) ~ x, d, "lognormal", c("mu", "log_stress"), "log stress lognormal")
d <- table_of("motor_insulation"); d$x <- 1000 / (d$temp + 273.16)
law("D09", Surv(time, status) ~ x, d, "lognormal", c("mu", "invT"), "lognormal")
law("D09", Surv(time, status) ~ x, d, "weibull", c("mu", "invT"), "weibull")
d <- table_of("remission"); d$trt <- as.integer(d$treat == "6-MP")
test <- survdiff(Surv(time, cens) ~ trt, d)
hold("D10", "logrank_chisq", test$chisq)
hold("D10", "logrank_E_6MP", test$exp[2])
for (ties in c("breslow", "efron", "exact")) cox("D10", coxph(Surv(time, cens) ~ trt, d, ties = ties), ties)
law("D10", Surv(time, cens) ~ trt, d, "weibull", c("mu", "trt"), "weibull")
d <- table_of("kidney_cluster")
fit <- summary(coxph(Surv(time, status) ~ age + sex, d, cluster = id))$coefficients
for (name in c("age", "sex")) {
  hold("D12", paste0("cox_coef_", name), fit[name, "coef"], tolerance = 1e-4)
  hold("D12", paste0("cox_se_robust_", name), fit[name, "robust se"], tolerance = 1e-3)
}
d <- table_of("pbc_competing")
ours <- cuminc(d$time, d$status, d$sex, cencode = 0)
for (k in 1:2) hold("D14", "gray_chisq_by_sex", ours$Tests[k, "stat"], k)
points <- timepoints(cuminc(d$time, d$status, cencode = 0), c(1000, 2000, 3000))
for (k in 1:2) for (j in 1:3) hold("D14", "cif", points$est[k, j], 1000 * j, paste0("cause", k))
d <- table_of("channing"); d <- d[d$exit > d$entry, ]; d$male <- as.integer(d$sex == "Male")
cox("D15", coxph(Surv(entry, exit, cens) ~ male, d), "delayed entry")
d <- table_of("automotive")
curve("D16", Surv(d$miles, d$failed), c(10000, 40000, 70000))
law("D16", Surv(miles, failed) ~ 1, d, "weibull", "mu")
law("D16", Surv(miles, failed) ~ 1, d, "lognormal", "mu", "lognormal")
for (k in 1:5) {
  hold("D17", "poisson_upper95_two_sided", qgamma(0.975, k + 1), k)
  hold("D17", "poisson_lower95_two_sided", qgamma(0.025, k), k)
}
d <- table_of("capacitor"); d$x <- log(d$voltage)
law("D19", Surv(time, status) ~ temperature + x, d, "weibull", c("mu", "temp", "log_voltage"), "weibull temp + log voltage")
d <- table_of("ball_bearing")
law("D20", Surv(mrev, rep(1, 23)) ~ 1, d, "weibull", "mu")
law("D20", Surv(mrev, rep(1, 23)) ~ 1, d, "lognormal", "mu", "lognormal")
d <- table_of("veteran")
hold("D22", "logrank_chisq_4groups", survdiff(Surv(time, status) ~ celltype, d)$chisq)
hold("D22", "logrank_chisq_trt", survdiff(Surv(time, status) ~ trt, d)$chisq)
hold("D22", "logrank_chisq_trt_stratified", survdiff(Surv(time, status) ~ trt + strata(celltype), d)$chisq)
cox("D22", coxph(Surv(time, status) ~ trt + karno + age, d), "efron")
law("D22", Surv(time, status) ~ trt + karno + age, d, "weibull", c("mu", "trt", "karno", "age"), "weibull")

cat(sprintf("R %s, survival %s: %d values computed again, %d differ\n",
            getRversion(), packageVersion("survival"), done, length(wrong)))
if (length(wrong)) {
  cat(wrong, sep = "\n")
  quit(status = 1)
}
