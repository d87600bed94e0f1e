# Slide rates by school, with players as random effects.
#
#   Rscript analysis/slide_rate_model.R [FOLDER] [csv|stata|spss|parquet]
#
# FOLDER is the exported package (default: the folder above this script's). Base R is enough for csv; stata and
# spss need the package haven, parquet needs arrow. Prints one CSV table: model, term, estimate, standard_error.
#
# Linear mixed model (REML): slides per 100 transitions of a take ~ school, player random.
# Poisson model: slides of a take ~ school, offset log(transitions).
# Takes that could not be judged, or hold no transition, are left out; takes without a slide count with zero.

given <- commandArgs(trailingOnly = FALSE)
script <- sub("^--file=", "", grep("^--file=", given, value = TRUE)[1])
args <- commandArgs(trailingOnly = TRUE)
folder <- if (length(args) >= 1) args[1] else file.path(dirname(script), "..")
format <- if (length(args) >= 2) args[2] else "csv"

# What each column means, its unit and its allowed values in order.
codebook <- read.csv(file.path(folder, "codebook.csv"), colClasses = "character", encoding = "UTF-8")

read_table <- function(name) {
  path <- function(ending) file.path(folder, ending, paste0(name, ".", c(
    csv = "csv", stata = "dta", spss = "sav", parquet = "parquet")[[ending]]))
  about <- codebook[codebook$table == name, ]
  if (format == "csv") {
    rows <- read.csv(path("csv"), colClasses = "character", na.strings = "", encoding = "UTF-8")
  } else if (format == "parquet") {
    rows <- as.data.frame(arrow::read_parquet(path("parquet")))
  } else {
    rows <- if (format == "stata") haven::read_dta(path("stata")) else haven::read_sav(path("spss"))
    rows <- as.data.frame(haven::as_factor(rows, only_labelled = TRUE))
    names(rows) <- about$column[match(names(rows), about$short_name)]
  }
  for (column in names(rows)) {
    entry <- about[about$column == column, ]
    if (nrow(entry) == 0) next
    text <- as.character(rows[[column]])
    text[!is.na(text) & text == ""] <- NA
    if (entry$type %in% c("number", "integer")) rows[[column]] <- as.numeric(text)
    else if (entry$type == "boolean") rows[[column]] <- tolower(text) %in% c("true", "yes", "1")
    else if (entry$type == "date") rows[[column]] <- as.Date(text)
    else if (entry$allowed_values != "") rows[[column]] <-
      factor(text, levels = strsplit(entry$allowed_values, "; ", fixed = TRUE)[[1]])
    else rows[[column]] <- text
    if (entry$unit != "") attr(rows[[column]], "units") <- entry$unit
  }
  rows
}

take <- read_table("take")
take <- take[take$judged & !is.na(take$transitions) & take$transitions > 0, ]
take$slides <- as.numeric(take$slides)
take$transitions <- as.numeric(take$transitions)
take$rate <- 100 * take$slides / take$transitions
take$school <- factor(ifelse(is.na(take$school_id), "unplaced", take$school_id))
take$player <- factor(take$player_id)
formula_rate <- if (nlevels(take$school) > 1) rate ~ school else rate ~ 1
formula_count <- update(formula_rate, slides ~ . + offset(log(transitions)))

mixed <- nlme::lme(formula_rate, random = ~ 1 | player, data = take, method = "REML")
poisson_fit <- glm(formula_count, family = poisson(), data = take)

table_of <- function(model, estimates, errors) data.frame(
  model = model, term = names(estimates), estimate = unname(estimates), standard_error = unname(errors))
variances <- as.numeric(nlme::VarCorr(mixed)[, "Variance"])
result <- rbind(
  table_of("mixed", nlme::fixef(mixed), sqrt(diag(vcov(mixed)))),
  data.frame(model = "mixed", term = c("variance_player", "variance_residual"),
             estimate = variances, standard_error = NA),
  table_of("poisson", coef(poisson_fit), sqrt(diag(vcov(poisson_fit)))))
result$term <- sub("^school", "", result$term)
write.csv(result, stdout(), row.names = FALSE, quote = FALSE, na = "")
