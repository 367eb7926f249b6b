# A replicated storage trial and selections over three seasons by mixed models:
# Rscript storage_trial.R > storage_trial.json, in tests/reference/r.
# R 4.2 with lme4 (lmer), emmeans and multcomp (letters); both tables are invented.
suppressMessages({library(lme4); library(emmeans); library(multcomp)})
emm_options(lmer.df = "asymptotic")
num <- function(x) paste0("[", paste(sprintf("%.10g", x), collapse = ", "), "]")
txt <- function(x) paste0("[", paste0('"', x, '"', collapse = ", "), "]")
trial <- read.csv("storage_trial.csv")
trial$day <- factor(trial$storage_day)
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10))

# Whole trial, one model; clamshells are the replicates: 4 selections x 3 days x (4 - 1) df.
m <- lmer(force_N ~ selection * day + (1 | sample), trial, control = tight)
sd <- as.data.frame(VarCorr(m))$sdcor
e <- update(emmeans(m, ~ selection | day), df = 36)
table <- as.data.frame(e)
pairs <- as.data.frame(pairs(e, adjust = "tukey"))
# Letters from the largest mean on, within each day.
letters_of <- function(day) {
  rows <- table[table$day == day, ]; p <- pairs[pairs$day == day, ]
  compared <- do.call(rbind, strsplit(gsub("[()]", "", p$contrast), " - "))
  differ <- setNames(p$p.value < 0.05, paste(compared[, 1], compared[, 2], sep = "-"))
  order <- as.character(rows$selection[order(-rows$emmean)])
  found <- multcomp:::insert_absorb(differ, comps = compared, lvl_order = order)$Letters
  unname(found[as.character(rows$selection)])
}

# With the site as a block, and with clamshells of 4, 7 and 10 berries.
b <- lmer(force_N ~ selection * day + site * day + (1 | sample), trial, control = tight)
eb <- as.data.frame(emmeans(b, ~ selection | day))
some <- trial[trial$berry <= 4 + 3 * (as.integer(factor(trial$sample)) %% 3), ]
u <- lmer(force_N ~ selection * day + (1 | sample), some, control = tight)
eu <- as.data.frame(emmeans(u, ~ selection | day))
sdu <- as.data.frame(VarCorr(u))$sdcor

# Seasons fixed, selections and their interaction with seasons random.
s <- read.csv("three_seasons.csv"); s$season <- factor(s$season)
ms <- lmer(force_N ~ season + (1 | selection) + (1 | selection:season), s, control = tight)
blup <- mean(fixef(ms)[1] + c(0, fixef(ms)[2:3])) + ranef(ms)$selection[, 1]
v <- as.data.frame(VarCorr(ms)); var <- setNames(v$vcov, v$grp)
cat("{\n",
    ' "selection": ', txt(as.character(table$selection)), ",\n",
    ' "day": ', num(as.integer(as.character(table$day))), ",\n",
    ' "mean": ', num(table$emmean), ",\n", ' "se": ', num(table$SE), ",\n",
    ' "sd_between": ', sprintf("%.10g", sd[1]), ",\n",
    ' "sd_berries": ', sprintf("%.10g", sd[2]), ",\n",
    ' "pair_p": ', num(pairs$p.value), ",\n",
    ' "letters": ', txt(unlist(lapply(c("0", "4", "8"), letters_of))), ",\n",
    ' "block_mean": ', num(eb$emmean), ",\n", ' "block_se": ', num(eb$SE), ",\n",
    ' "unequal_mean": ', num(eu$emmean), ",\n", ' "unequal_se": ', num(eu$SE), ",\n",
    ' "unequal_sd": ', num(sdu), ",\n",
    ' "blup": ', num(blup), ",\n",
    ' "variances": {"selection": ', sprintf("%.10g", var["selection"]),
    ', "interaction": ', sprintf("%.10g", var["selection:season"]),
    ', "clamshell": ', sprintf("%.10g", var["Residual"]), "}\n}\n", sep = "")
