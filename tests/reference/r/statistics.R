# Reference values of tests that need no R: Rscript tests/reference/r/statistics.R > statistics.json
# R 4.2 with ordinal (clm), multcomp (glht) and VGAM (betabinomial); run in tests/reference/r.
suppressMessages({library(ordinal); library(multcomp); library(VGAM)})
num <- function(x) paste0("[", paste(sprintf("%.10g", x), collapse = ", "), "]")

# Two days of one hand: cut points by clm, their difference and its covariance by the delta method.
two <- read.csv("two_days.csv")
cuts <- function(day) {
  m <- clm(factor(score) ~ force, data = two[two$day == day, ])
  beta <- coef(m)["force"]; theta <- coef(m)[1:4]
  cut <- theta / beta
  jacobian <- cbind(diag(4) / beta, -theta / beta^2)
  list(cut = cut, cov = jacobian %*% vcov(m) %*% t(jacobian))
}
a <- cuts(1); b <- cuts(2)
gap <- b$cut - a$cut; covariance <- a$cov + b$cov

# A spread that grows with force: log s = a + b log F, and the likelihood ratio against b = 0.
g <- read.csv("growing.csv")
plain <- clm(factor(score) ~ force, data = g)
grown <- clm(factor(score) ~ force, scale = ~ log(force), data = g)

# Simultaneous intervals of the four gaps and their mean by max |t| (Hothorn, Bretz, Westfall).
K <- rbind(diag(4), rep(0.25, 4))
names(gap) <- colnames(K) <- paste0("gap", 1:4)
set.seed(1)
ci <- confint(glht(parm(gap, covariance), linfct = K), level = 0.95)
critical <- attr(ci$confint, "calpha")

# One correlation within clamshells by maximum likelihood of the beta-binomial.
cl <- read.csv("clamshells.csv")
m <- vglm(cbind(soft, n - soft) ~ 1, betabinomial, data = cl)
cat("{\n",
    ' "gap": ', num(gap), ",\n", ' "gap_se": ', num(sqrt(diag(covariance))), ",\n",
    ' "covariance": [', paste(apply(covariance, 1, num), collapse = ", "), "],\n",
    ' "grown_cuts": ', num(grown$alpha / grown$beta), ",\n",
    ' "grown_power": ', num(grown$zeta), ",\n",
    ' "grown_power_se": ', num(sqrt(vcov(grown)[6, 6])), ",\n",
    ' "grown_log_likelihood": ', num(c(plain$logLik, grown$logLik)), ",\n",
    ' "critical": ', sprintf("%.4f", critical), ",\n",
    ' "betabinomial_share": ', sprintf("%.6f", Coef(m)[1]), ",\n",
    ' "betabinomial_rho": ', sprintf("%.6f", Coef(m)[2]), "\n}\n", sep = "")
