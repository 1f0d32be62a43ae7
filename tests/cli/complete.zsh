# What zsh offers for the line in $LINE, one a line into the file $FOUND; the script is the function in folder $FUNCTIONS.
fpath=($FUNCTIONS $fpath)
autoload -Uz compinit
compinit -u -D
compadd() {
  if [[ ${@[(I)-[OAD]]} -ne 0 ]]; then  # asks which would match, offers nothing yet
    builtin compadd "$@"
    return
  fi
  local -a offered
  builtin compadd -O offered "$@"
  print -rl -- $offered >>$FOUND
  builtin compadd "$@"
}
offer() { _main_complete }
zle -C offer complete-word offer
zle-line-init() {
  BUFFER=$LINE
  CURSOR=$#BUFFER
  zle offer
  BUFFER=exit
  zle .accept-line
}
zle -N zle-line-init
